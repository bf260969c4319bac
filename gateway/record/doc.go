// Package record is what the journal holds of a line: the kinds of record, each
// plain data that is stored as JSON and read back equal, and the one reading of
// them in their order.
//
// Past is the state of the line that its records tell. The machine of gateway/cycle
// goes on from it after a restart. History builds on it and makes whole rolls:
//
//	REQUEST ─► INTENT ─► COMMIT ─► VERDICT        OUTCOME
//	   ╰────────── a Round ────────────╯             │
//	   REQUEST ─► INTENT ─► VOID                     │
//	   ╰──── another Round ───╯                      ▼
//	╰───────────────────────────── a Roll ──────────────╯
//
// Whoever wants to know what a journal tells of rolls runs this loop and no
// other:
//
//	var history record.History
//	for each record s of the journal, in order {
//		finished, err := history.Add(s)
//		if err != nil {
//			return err // s contradicts the records before it
//		}
//		for _, roll := range finished {
//			// no later record tells of roll
//		}
//	}
//	gaps, past := history.Gaps(), history.Past() // before Rest
//	for _, roll := range history.Rest() {
//		// the journal ends before roll has left
//	}
//
// Rolls come out in the order in which they came to the station, each as soon as
// nothing more can be told of it: with its outcome, with a later roll's outcome
// (outcomes come in order), or with a gap. At most twice as many as the
// controller's ring holds are kept, so that a journal of any length is read in
// little memory.
//
// Which kind a record is, is asked here, in gateway/cycle (the accounts of the wrapper
// rolls), in gateway/journal (the proof of a journal) and in gateway/status (the
// counters), and nowhere else.
package record
