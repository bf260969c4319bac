package cycle

import (
	"fmt"
	"strings"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/wording"
)

func eventText(ev Event) string {
	switch e := ev.(type) {
	case LinkUp:
		return "link up"
	case LinkDown:
		return "link down: " + e.Err
	case Tick:
		return "tick"
	case Nonce:
		return fmt.Sprintf("nonce %X", e.Value)
	case View:
		r := &e.Request
		s := fmt.Sprintf("view %s roll %d request %d/%d session %d outcomes %d/%d", r.Phase, r.RollNo, r.Boot, r.Req, r.Active.Epoch, r.Produced, r.Acked)
		if r.ResultVerdict != 0 {
			s += fmt.Sprintf(" result %d/%d %s %d", r.ResultSession.Epoch, r.ResultOffer, r.ResultVerdict, r.ResultReason)
		}
		return s
	case BadView:
		return "bad view: " + e.Cause
	case Payload:
		return "payload read back"
	case Outcomes:
		return fmt.Sprintf("%d outcomes read", len(e.Entries))
	case Written:
		return "written " + e.Block.String()
	case Refused:
		return "refused " + e.Block.String()
	case JournalFailed:
		return "journal failed: " + e.Err
	case HoldAll:
		return fmt.Sprintf("hold all %v by %s", e.On, e.By)
	case OverrideRoll:
		return fmt.Sprintf("override of roll %d by %s", e.Roll, e.By)
	case HangWrapper:
		return fmt.Sprintf("hang at slot %d by %s", e.Slot, e.By)
	case CountHeads:
		return fmt.Sprintf("count %d heads of %s by %s", e.Count, e.Material, e.By)
	case SetStation:
		return fmt.Sprintf("station %s by hand %v by %s", e.Station, e.ByHand, e.By)
	case ConfirmFinding:
		return fmt.Sprintf("confirm %s by %s", e.Finding, e.By)
	case Arm:
		return fmt.Sprintf("arm %v by %s", e.On, e.By)
	case Configure:
		return fmt.Sprintf("configure %08X", e.Record.Hash)
	case Stored:
		if e.Other != nil {
			return fmt.Sprintf("stored up to %d, of %s up to %d", e.UpTo, e.Other.Head.Machine, e.Other.UpTo)
		}
		return fmt.Sprintf("stored up to %d", e.UpTo)
	case Lease:
		if e.Silent {
			return "lease silent"
		}
		return fmt.Sprintf("lease %v number %d", e.Held, e.Number)
	}
	return fmt.Sprintf("%T", ev)
}

func actionText(a Action) string {
	switch a := a.(type) {
	case Append:
		return "journal " + recordText(a.Record)
	case Send:
		return "send    " + a.Block.String() + " " + wordsText(a.Block, a.Words)
	case FetchView:
		return "read    REQ"
	case FetchPayload:
		return "read    PAYLOAD"
	case FetchOutcomes:
		return fmt.Sprintf("read    OUT %d, %d entries", a.From, a.N)
	case DrawNonce:
		return "draw    nonce"
	case Drop:
		return "drop    " + a.Reason
	case Notify:
		return fmt.Sprintf("tell    %s: %s", a.Code, a.Text)
	case OverrideAnswer:
		text := fmt.Sprintf("answer  roll %d request %d held %v", a.Roll, a.Token.Req, a.Held)
		for _, c := range a.Changes {
			text += fmt.Sprintf(", %s %g to %g", c.Name, c.Old, c.New)
		}
		for _, p := range a.Problems {
			text += "; " + p.String()
		}
		return text
	case HangAnswer:
		return strings.TrimSuffix(fmt.Sprintf("answer  act %d %s%s", a.No, strings.Join(wording.InEnglish(a.Problems), "; "), a.Next), " ")
	case HeadsAnswer:
		return "answer  " + strings.Join(wording.InEnglish(a.Problems), "; ") + a.Next.String()
	case StationAnswer:
		return "answer  " + strings.Join(wording.InEnglish(a.Problems), "; ") + a.Next.String()
	case ConfirmAnswer:
		return fmt.Sprintf("answer  roll %d held %v %s%s", a.Roll, a.Held, strings.Join(wording.InEnglish(a.Problems), "; "), a.Text)
	case Halt:
		return "halt    " + a.Reason
	}
	return fmt.Sprintf("%T", a)
}

func wordsText(id handshake.ID, words []uint16) string {
	switch id {
	case handshake.HEARTBEAT:
		return fmt.Sprintf("%d state %s flags %d", words[1], State(words[6]), words[7])
	case handshake.HELLO:
		return fmt.Sprintf("session %d/%X boot %d", long(words, 2), long(words, 4), long(words, 6))
	case handshake.PAYLOAD:
		return fmt.Sprintf("offer %d of session %d", words[12], long(words, 2))
	case handshake.COMMIT:
		return fmt.Sprintf("offer %d of session %d tick %d", words[1], long(words, 2), long(words, 10))
	case handshake.ACK:
		return fmt.Sprintf("up to %d", long(words, 6))
	}
	return ""
}

// tagText tells a tag that is not as it was given to the roll.
func tagText(tag string) string {
	if strings.HasPrefix(tag, "R-") || tag == "hand" {
		return ""
	}
	return " tag " + tag
}

// codesOf lists the holds; warnings belong to the tests of the checks.
func codesOf(findings []recipe.Finding) string {
	var s []string
	for _, f := range findings {
		if f.Severity == recipe.Hold {
			s = append(s, string(f.Code))
		}
	}
	return strings.Join(s, ",")
}

func recordText(r record.Record) string {
	s := string(r.Kind())
	switch r := r.(type) {
	case record.Session:
		return fmt.Sprintf("%s %d/%X boot %d: %s", s, r.Session.Epoch, r.Session.Nonce, r.Boot, r.Cause)
	case record.Request:
		out := fmt.Sprintf("%s %d/%d roll %d %.4f x %.4f m", s, r.Token.Boot, r.Token.Req, r.Roll, r.Measured.Diameter, r.Measured.Width)
		for i, e := range r.Stand.Counted {
			if e.Known {
				out += fmt.Sprintf(", slot %d counted %.1f m", i+1, e.Length)
			}
		}
		return out
	case record.Intent:
		form := "recipe"
		if r.Form == handshake.KindHold {
			form = "hold: " + r.HoldReason.String()
		}
		if r.Origin == handshake.Override {
			form += " by " + r.By
		}
		var p handshake.Payload
		if handshake.DecodePayload(r.Payload, &p) == nil && r.Form == handshake.KindRecipe && !recipe.Groups(p.Groups).Has(recipe.GroupHeader) {
			form += " without header"
		}
		for _, h := range r.Heads {
			form += fmt.Sprintf(" with heads of %g m", h.Diameter)
		}
		return fmt.Sprintf("%s %s roll %d %s [%s]%s", s, r.Offer, r.Roll, form, codesOf(r.Findings), tagText(r.Tag))
	case record.Commit:
		return fmt.Sprintf("%s %s", s, r.Offer)
	case record.Verdict:
		settled := ""
		if r.Settled {
			settled = " settled"
		}
		return fmt.Sprintf("%s %s %s %d%s", s, r.Offer, r.Verdict, r.Reason, settled)
	case record.Void:
		return fmt.Sprintf("%s %s %s", s, r.Offer, r.Evidence)
	case record.Outcome:
		o := r.Outcome
		out := fmt.Sprintf("%s %d roll %d %s offer %d/%d", s, o.Index, o.RollNo, o.Outcome, o.Session.Epoch, o.Offer)
		if r.Weighing != nil {
			out += ", weighed: " + r.Weighing.Verdict
		}
		if r.Contradicts != "" {
			out += ", contradicts: " + r.Contradicts
		}
		return out
	case record.Gap:
		out := fmt.Sprintf("%s outcomes %d-%d rolls %d-%d: %s", s, r.FromIndex, r.ToIndex, r.FromRoll, r.ToRoll, r.Cause)
		if r.Closed != nil {
			out += ", closes " + r.Closed.String()
		}
		return out
	case record.Hold:
		return fmt.Sprintf("%s %v by %s", s, r.On, r.By)
	case record.Override:
		return fmt.Sprintf("%s roll %d by %s old of %d setpoints, new %v, refused [%s]", s, r.Roll, r.By, len(r.Old), r.New, codesOf(r.Refused))
	case record.Hang:
		return fmt.Sprintf("%s %d slot %d %s %g m %s by %s", s, r.No, r.Slot, r.State, r.Width, r.Paper, r.By)
	case record.Hung:
		return fmt.Sprintf("%s %d slot %d %s: %s", s, r.No, r.Slot, r.Step, r.Evidence)
	case record.Heads:
		return fmt.Sprintf("%s %d of %s %g m by %s", s, r.Count, r.Material, r.Diameter, r.By)
	case record.Station:
		return fmt.Sprintf("%s %s %s by %s", s, r.Station, r.Mode, r.By)
	case record.Confirm:
		return fmt.Sprintf("%s %s roll %d by %s", s, r.Finding, r.Roll, r.By)
	case record.Mode:
		return fmt.Sprintf("%s armed %v by %s", s, r.Armed, r.By)
	case record.Config:
		return fmt.Sprintf("%s %08X by %q changes %d", s, r.Hash, r.By, len(r.Changes))
	case record.Shadow:
		return fmt.Sprintf("%s roll %d %s [%s]", s, r.Roll, r.Verdict, codesOf(r.Findings))
	}
	return s
}
