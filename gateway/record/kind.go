package record

// kinds lists an empty record of every kind.
var kinds = [...]Record{
	Session{}, Request{}, Intent{}, Commit{}, Verdict{}, Void{}, Outcome{}, Gap{}, Hold{}, Override{}, Confirm{}, Mode{}, Config{}, Shadow{}, Frame{}, Origin{}, Doubt{}, Accept{}, Carry{},
	Hang{}, Hung{}, Station{}, Heads{}, Alarm{}, Correction{}, Published{}, Register{}, Takeover{},
}

// Kinds lists every kind of record.
func Kinds() []Kind {
	out := make([]Kind, len(kinds))
	for i, r := range kinds {
		out[i] = r.Kind()
	}
	return out
}

// Known reports whether records of the kind can be read.
func (k Kind) Known() bool {
	_, ok := forms[k]
	return ok
}

// Kind returns KindSession.
func (Session) Kind() Kind { return KindSession }

// Kind returns KindRequest.
func (Request) Kind() Kind { return KindRequest }

// Kind returns KindIntent.
func (Intent) Kind() Kind { return KindIntent }

// Kind returns KindCommit.
func (Commit) Kind() Kind { return KindCommit }

// Kind returns KindVerdict.
func (Verdict) Kind() Kind { return KindVerdict }

// Kind returns KindVoid.
func (Void) Kind() Kind { return KindVoid }

// Kind returns KindOutcome.
func (Outcome) Kind() Kind { return KindOutcome }

// Kind returns KindGap.
func (Gap) Kind() Kind { return KindGap }

// Kind returns KindHold.
func (Hold) Kind() Kind { return KindHold }

// Kind returns KindOverride.
func (Override) Kind() Kind { return KindOverride }

// Kind returns KindConfirm.
func (Confirm) Kind() Kind { return KindConfirm }

// Kind returns KindMode.
func (Mode) Kind() Kind { return KindMode }

// Kind returns KindConfig.
func (Config) Kind() Kind { return KindConfig }

// Kind returns KindShadow.
func (Shadow) Kind() Kind { return KindShadow }

// Kind returns KindFrame.
func (Frame) Kind() Kind { return KindFrame }

// Kind returns KindOrigin.
func (Origin) Kind() Kind { return KindOrigin }

// Kind returns KindDoubt.
func (Doubt) Kind() Kind { return KindDoubt }

// Kind returns KindPublished.
func (Published) Kind() Kind { return KindPublished }

// Kind returns KindRegister.
func (Register) Kind() Kind { return KindRegister }

// Kind returns KindTakeover.
func (Takeover) Kind() Kind { return KindTakeover }

// Kind returns KindAccept.
func (Accept) Kind() Kind { return KindAccept }

// Kind returns KindHang.
func (Hang) Kind() Kind { return KindHang }

// Kind returns KindHung.
func (Hung) Kind() Kind { return KindHung }

// Kind returns KindHeads.
func (Heads) Kind() Kind { return KindHeads }

// Kind returns KindStation.
func (Station) Kind() Kind { return KindStation }

// Kind returns KindCorrect.
func (Correction) Kind() Kind { return KindCorrect }

// RollNo returns the roll that the record is about.
func (r Request) RollNo() uint32 { return r.Roll }

// RollNo returns the roll that the record is about.
func (r Intent) RollNo() uint32 { return r.Roll }

// RollNo returns the roll that the record is about.
func (r Commit) RollNo() uint32 { return r.Roll }

// RollNo returns the roll that the record is about.
func (r Verdict) RollNo() uint32 { return r.Roll }

// RollNo returns the roll that the record is about.
func (r Void) RollNo() uint32 { return r.Roll }

// RollNo returns the roll that the record is about.
func (r Outcome) RollNo() uint32 { return r.Outcome.RollNo }

// RollNo returns the roll that the record is about.
func (r Override) RollNo() uint32 { return r.Roll }

// RollNo returns the roll that the record is about.
func (r Confirm) RollNo() uint32 { return r.Roll }

// RollNo returns the roll that the record is about.
func (r Shadow) RollNo() uint32 { return r.Roll }

// RollNo returns 0: the record is about no single roll.
func (Session) RollNo() uint32 { return 0 }

// RollNo returns 0: the record is about no single roll.
func (Gap) RollNo() uint32 { return 0 }

// RollNo returns 0: the record is about no single roll.
func (Hold) RollNo() uint32 { return 0 }

// RollNo returns 0: the record is about no single roll.
func (Mode) RollNo() uint32 { return 0 }

// RollNo returns 0: the record is about no single roll.
func (Correction) RollNo() uint32 { return 0 }

// RollNo returns 0: the record is about no single roll.
func (Published) RollNo() uint32 { return 0 }

// RollNo returns 0: the record is about no single roll.
func (Register) RollNo() uint32 { return 0 }

// RollNo returns 0: the record is about no single roll.
func (Takeover) RollNo() uint32 { return 0 }

// RollNo returns 0: the record is about no single roll.
func (Config) RollNo() uint32 { return 0 }

// RollNo returns 0: the record is about no single roll.
func (Frame) RollNo() uint32 { return 0 }

// RollNo returns 0: the record is about no single roll.
func (Origin) RollNo() uint32 { return 0 }

// RollNo returns 0: the record is about no single roll.
func (Doubt) RollNo() uint32 { return 0 }

// RollNo returns 0: the record is about no single roll.
func (Accept) RollNo() uint32 { return 0 }

// RollNo returns 0: the record is about no single roll.
func (Hang) RollNo() uint32 { return 0 }

// RollNo returns 0: the record is about no single roll.
func (Hung) RollNo() uint32 { return 0 }

// RollNo returns 0: the record is about no single roll.
func (Station) RollNo() uint32 { return 0 }

// RollNo returns 0: the record is about no single roll.
func (Heads) RollNo() uint32 { return 0 }
