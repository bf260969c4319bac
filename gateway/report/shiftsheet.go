package report

import (
	"lapgate/gateway/record"
	"lapgate/recipe/wording"
)

// mostSheets is how many rolls have a sheet of their own on the page of a shift: as
// many as a fast line makes in one. Of more, those have one that ask for somebody or
// met a hold.
const mostSheets = 600

// keep keeps a roll for its sheet.
func (s *Shift) keep(roll *record.Roll, r *Roll) {
	f := &s.fold
	if len(f.sheets) == mostSheets && f.extra == 0 {
		f.thin()
	}
	if len(f.sheets) < mostSheets && (f.extra == 0 || r.marked()) {
		f.sheets = append(f.sheets, roll)
		return
	}
	f.extra++
}

// marked tells whether a roll met a hold or needs somebody.
func (r *Roll) marked() bool { return len(r.Holds) > 0 || len(r.needs()) > 0 }

// thin drops the sheets of the rolls of which nothing special is to be told.
func (f *fold) thin() {
	var kept []*record.Roll
	for _, roll := range f.sheets {
		if r, err := RollOf("", f.line, roll); err != nil || r.marked() {
			kept = append(kept, roll)
		}
	}
	f.extra = len(f.sheets) - len(kept)
	f.sheets = kept
}

// stories tell the rolls that have a sheet.
func (s *Shift) stories(w *wording.Words) ([]*Story, error) {
	f := &s.fold
	var out []*Story
	told := Told{Newest: &record.Newest{Acts: f.acts}, Line: f.line, Hash: f.of.Hash, Words: w, Of: &f.of}
	for _, roll := range f.sheets {
		told.Roll = roll
		story, err := StoryOf(told)
		if err != nil {
			return nil, err
		}
		out = append(out, story)
	}
	return out, nil
}
