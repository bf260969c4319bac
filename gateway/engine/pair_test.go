package engine_test

import (
	"slices"
	"testing"
	"time"

	"lapgate/gateway/engine"
	"lapgate/gateway/engine/enginetest"
)

// What two machines tell each other comes to the other in order, once answered not again,
// and not to another mill.
func TestActs(t *testing.T) {
	d := enginetest.New(t)
	a, b := d.Connect(t, enginetest.Pair), d.Connect(t, enginetest.Machine)
	other := d.Settings(enginetest.Pair)
	other.Mill = "other"
	far, err := engine.New(other).Connect(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer far.Close()
	ctx, lines := t.Context(), []string{"north", "south"}
	var numbers []uint64
	for _, act := range []engine.Act{
		{Key: "1", Line: "north", Machine: "a", Kind: "hold", Body: `{"by":"kim"}`, Age: time.Hour},
		{Key: "2", Line: "south", Machine: "a", Kind: "disarm"},
		{Key: "3", Line: "west", Machine: "a", Kind: "disarm"},
		{Key: "4", Line: "north", Machine: "b", Kind: "hold-off"},
	} {
		n, err := a.Post(ctx, act)
		if err != nil {
			t.Fatal(err)
		}
		numbers = append(numbers, n)
	}
	waiting, err := b.Waiting(ctx, "b", lines)
	if err != nil || len(waiting) != 2 || waiting[0].Number != numbers[0] || waiting[0].Body != `{"by":"kim"}` || waiting[0].Machine != "a" || waiting[1].Line != "south" || waiting[0].Age < time.Hour || waiting[1].Age < 0 || waiting[0].Key != "1" {
		t.Fatalf("%v: %+v", err, waiting)
	}
	if w, err := far.Waiting(ctx, "b", lines); err != nil || len(w) != 0 {
		t.Errorf("another mill: %v: %+v", err, w)
	}
	for _, c := range []struct {
		machine, text string
		counts        bool
	}{{"b", "", true}, {"b", "again", true}, {"a", "withdrawn", false}} {
		if counts, err := b.Answer(ctx, numbers[0], c.machine, c.text); err != nil || counts != c.counts {
			t.Errorf("%+v: counts %t, %v", c, counts, err)
		}
	}
	again, err := a.Post(ctx, engine.Act{Key: "2", Line: "south", Machine: "a", Kind: "disarm"})
	if err != nil || again != numbers[1] {
		t.Errorf("posted again it has number %d, %v, want %d as before", again, err, numbers[1])
	}
	if _, err := far.Post(ctx, engine.Act{Key: "2", Line: "south", Machine: "a", Kind: "disarm"}); err != nil {
		t.Error(err) // a key is one of its mill
	}
	answers, err := a.Answers(ctx, []string{"1", "2", "none"})
	want := []engine.Answer{{Number: numbers[0], Key: "1", Machine: "b"}, {Number: numbers[1], Key: "2"}}
	if err != nil || !slices.Equal(answers, want) {
		t.Errorf("%v: %+v", err, answers)
	}
	if w, err := b.Waiting(ctx, "b", lines); err != nil || len(w) != 1 || w[0].Line != "south" {
		t.Errorf("%v: %+v", err, w)
	}
}

// Machines see each other and the beats of each other.
func TestMeet(t *testing.T) {
	d := enginetest.New(t)
	a, b := d.Connect(t, enginetest.Pair), d.Connect(t, enginetest.Pair)
	if _, err := a.Meet(t.Context(), engine.Member{Machine: "a", Instance: "a/1", About: "first"}); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Meet(t.Context(), engine.Member{Machine: "b", Instance: "b/1"}); err != nil {
		t.Fatal(err)
	}
	all, err := a.Meet(t.Context(), engine.Member{Machine: "a", Instance: "a/2", About: "second"})
	want := []engine.Member{{Machine: "a", Instance: "a/2", Beat: 2, About: "second"}, {Machine: "b", Instance: "b/1", Beat: 1}}
	if err != nil || len(all) != 2 || all[0] != want[0] || all[1] != want[1] {
		t.Errorf("%v: %+v", err, all)
	}
}
