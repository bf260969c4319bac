package record

// Outcomes is up to which outcome the records of a line tell.
type Outcomes struct {
	UpTo   uint32 // index of the newest; every earlier one is a record or in a gap
	Losses uint32 // how often the controller had lost its memory; an index of before means nothing after
}

// Add takes the next record.
func (o *Outcomes) Add(r Record) {
	switch r := r.(type) {
	case Outcome:
		o.UpTo = max(o.UpTo, r.Outcome.Index)
	case Gap:
		o.UpTo = max(o.UpTo, r.ToIndex)
		if r.Boot != 0 {
			o.UpTo = 0
			o.Losses++
		}
	case Carry:
		o.UpTo, o.Losses = r.Past.Outcomes, r.Past.Losses
	}
}
