package inspect

import "lapgate/gateway/record"

// Known is what a journal knows of its controller: numbers that never go back
// while the controller keeps its memory. The zero value knows nothing.
type Known struct {
	Boot     uint32 // newest start of the controller's program
	Epoch    uint32 // newest that this gateway took
	Floor    uint32 // the controller is known to have adopted one at least as high
	Outcomes uint32 // index of the newest outcome
	Rolls    uint32 // newest roll number
}

// Take learns from one record; it is called for each in order.
func (k *Known) Take(s record.Stored) {
	switch r := s.Record.(type) {
	case record.Session:
		k.Epoch = max(k.Epoch, r.Session.Epoch)
		k.Floor = max(k.Floor, r.Floor)
		k.Boot = max(k.Boot, r.Boot)
	case record.Intent:
		k.Floor = max(k.Floor, r.Offer.Session.Epoch)
	case record.Request:
		k.Boot, k.Rolls = max(k.Boot, r.Token.Boot), max(k.Rolls, r.Roll)
	case record.Outcome:
		k.Boot, k.Rolls = max(k.Boot, r.Outcome.Boot), max(k.Rolls, r.Outcome.RollNo)
		k.Outcomes = max(k.Outcomes, r.Outcome.Index)
	case record.Gap:
		k.Outcomes, k.Rolls = max(k.Outcomes, r.ToIndex), max(k.Rolls, r.ToRoll)
		if r.Boot != 0 { // the controller lost its memory
			*k = Known{Boot: r.Boot, Epoch: k.Epoch}
		}
	}
}
