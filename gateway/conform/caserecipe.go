package conform

import (
	"math/bits"

	"lapgate/gateway/handshake"
)

func recipeCases() []testCase {
	return []testCase{
		{"check-permissive", "6.2", "check 7: a recipe with a permissive off is rejected with the number of the permissive", true, checkPermissive},
		{"check-kind", "4.2", "a payload of a kind that does not exist is rejected", true, checkKind},
		{"limits-told", "4.1", "LIMITS is whole where flag 7 says so", false, limitsTold},
		{"limits-each", "6.5", "check 8: each limit of LIMITS, one number beyond it, is rejected with its field", true, limitsEach},
		{"limits-ceiling", "6.5", "a header or closing temperature above 200.0 °C is rejected whatever is entered", true, limitsCeiling},
		{"limits-closing", "4.2", "a heated press has both closing temperatures, the least not above the greatest", true, limitsClosing},
		{"limits-ends", "6.5", "check 8: recipes at the least and at the greatest of every limit are accepted", true, limitsEnds},
		{"limits-group", "4.2", "a group that is not in force is not compared", true, limitsGroup},
		{"recipe-accepted", "6.2", "check 9: a recipe inside every limit is accepted", true, recipeAccepted},
	}
}

func checkPermissive(t *trial) {
	t.await()
	r := t.permissiveOff()
	off := t.Permissives &^ r.Permissives
	t.must(off != 0, "flag 0 is off, but every permissive of %b that must be on is: %b", t.Permissives, r.Permissives)
	if t.ok() {
		t.rejected(t.recipe(), "a recipe with a permissive off", handshake.RejectPermissive+uint16(bits.TrailingZeros32(off)))
	}
	t.permissiveOn()
	t.always(t.settle(), "a rejected offer was accepted when the permissive came back", func(r *handshake.Request) bool { return r.Phase == handshake.Await })
}

// checkKind counts as offering a recipe: a controller may take what is no hold for
// one.
func checkKind(t *trial) {
	t.await()
	for _, kind := range []int64{0, 3} {
		t.rejectedAnyhow(t.recipe().setting("kind", kind), "a payload of a kind that does not exist")
	}
}

func limitsTold(t *trial) {
	t.open()
	first := t.published()
	second := t.published()
	t.must(first == second, "LIMITS changes while nobody enters a limit")
}

func limitsEach(t *trial) {
	t.await()
	l := t.published()
	if !t.ok() {
		return
	}
	groups := worked.Groups & l.Greatest.Groups
	for _, b := range beyond(&l, groups) {
		t.rejected(t.recipe().setting(b.field, b.n), b.String(), b.reasons...)
	}
}

// heatedPress is the payload of a recipe, and ends the case where it has no heated
// press.
func (t *trial) heatedPress(o offer) (p handshake.Payload) {
	if t.ok() && handshake.DecodePayload(o.payload, &p) == nil && p.Temperature == 0 {
		t.skip("the recipe has no heated press: the controller's limits allow none")
	}
	return p
}

func limitsCeiling(t *trial) {
	t.await()
	t.heatedPress(t.recipe())
	t.rejected(t.recipe().setting("header_temperature", 2001), "a header temperature of 200.1 °C", limitReason("header_temperature"))
	t.rejected(t.recipe().setting("closing_greatest", 2001), "a greatest closing temperature of 200.1 °C", limitReason("closing_greatest"))
	t.rejected(t.recipe().setting("closing_least", 2001).setting("closing_greatest", 2001), "closing temperatures of 200.1 °C", limitReason("closing_least"), limitReason("closing_greatest"))
}

func limitsClosing(t *trial) {
	t.await()
	p := t.heatedPress(t.recipe())
	t.rejected(t.recipe().setting("closing_least", 0), "a heated press without a least closing temperature", limitReason("closing_least"))
	t.rejected(t.recipe().setting("closing_greatest", 0), "a heated press without a greatest closing temperature", limitReason("closing_greatest"))
	if p.CloseMax < 2000 {
		t.rejected(t.recipe().setting("closing_least", int64(p.CloseMax)+1), "a least closing temperature above the greatest", limitReason("closing_least"), limitReason("closing_greatest"))
	}
}

// limitsEnds has recipes accepted that stand at the ends of every limit.
func limitsEnds(t *trial) {
	t.await()
	l := t.published()
	for _, end := range []struct {
		p    handshake.Payload
		what string
	}{{l.Least, "a recipe at the least of every limit"}, {l.Greatest, "a recipe at the greatest of every limit"}} {
		t.await()
		p := end.p
		p.Kind, p.Groups = handshake.KindRecipe, worked.Groups
		t.judged(t.recipeOf(p), end.what, handshake.Accepted)
	}
}

// limitsGroup takes one group out of force and puts its field beyond its limit.
func limitsGroup(t *trial) {
	t.await()
	l := t.published()
	glue := handshake.FieldOf(handshake.PAYLOAD, "glue")
	if _, top := glue.Range(); t.ok() && (l.Greatest.Groups&(1<<3) == 0 || int64(l.Greatest.Glue) == top) {
		t.skip("the limits have no glue that could be beyond them")
	}
	p := worked
	p.Groups &^= 1 << 3
	t.judged(t.recipeOf(p).setting("glue", int64(l.Greatest.Glue)+1), "a recipe with glue beyond its limit and the group glue not in force", handshake.Accepted)
}

func recipeAccepted(t *trial) {
	o := t.running()
	before := t.look()
	t.unchanged(&before, "a recipe that was accepted")
	t.send(handshake.COMMIT, o.commit)
	t.unchanged(&before, "the COMMIT of the accepted recipe again")
	t.ignored(t.recipe(), "COMMIT in phase run")
	// A running roll goes on when the gateway is silent.
	t.stopBeating()
	t.must(t.last.Phase == handshake.Run, "phase %s when the heartbeat stopped in phase run, want %s", t.last.Phase, handshake.Run)
	t.silent = false
}
