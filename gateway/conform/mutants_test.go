package conform_test

import (
	"testing"

	"lapgate/gateway/conform"
	"lapgate/sim/controller"
)

// mutants are programs that break one rule each, and the case that has to name it.
var mutants = []struct {
	rule controller.Rule
	by   string
}{
	{controller.RulePublished, "publication"},
	{controller.RuleFreeFlags, "publication"},
	{controller.RuleHelloCRC, "hello-damaged"},
	{controller.RuleHelloLayout, "hello-damaged"},
	{controller.RuleHelloBoot, "hello-boot"},
	{controller.RuleHelloFloor, "hello-floor"},
	{controller.RuleHelloStep, "hello-step"},
	{controller.RuleHelloStepEnd, "hello-step"},
	{controller.RuleHelloLast, "hello-last-epoch"},
	{controller.RuleHelloLastEnd, "hello-last-epoch"},
	{controller.RuleHelloLost, "memory-lost"},
	{controller.RuleHelloSame, "hello-repeated"},
	{controller.RuleHelloOffer, "hello-adopted"},
	{controller.RuleHelloRaises, "hello-adopted"},
	{controller.RuleHelloFirst, "commit-superseded"},
	{controller.RuleHelloDrops, "copy-dropped"},
	{controller.RuleBeatSession, "heartbeat-foreign"},
	{controller.RuleBeatCRC, "heartbeat-foreign"},
	{controller.RuleBeatSilence, "heartbeat-alive"},
	{controller.RuleBeatCounts, "heartbeat-alive"},
	{controller.RuleAckCRC, "ack"},
	{controller.RuleAckSession, "ack"},
	{controller.RuleAckProduced, "ack"},
	{controller.RuleAckForward, "ack"},
	{controller.RuleCommitCRC, "commit-damaged"},
	{controller.RuleCommitEpoch, "commit-session"},
	{controller.RuleCommitNonce, "commit-session"},
	{controller.RuleCommitPhase, "check-hold"},
	{controller.RuleCommitRequest, "commit-request"},
	{controller.RuleCommitOffer, "commit-offer"},
	{controller.RuleCommitAgain, "commit-repeated"},
	{controller.RuleStaleCounted, "commit-request"},
	{controller.RuleStaleOnce, "commit-request"},
	{controller.RuleJudgeCRC, "check-damaged"},
	{controller.RuleJudgeCommitted, "check-damaged"},
	{controller.RuleJudgeKind, "check-kind"},
	{controller.RuleJudgeLayout, "check-damaged"},
	{controller.RuleJudgeSession, "check-offer"},
	{controller.RuleJudgeBoot, "check-offer"},
	{controller.RuleJudgeRequest, "check-offer"},
	{controller.RuleJudgeRoll, "check-offer"},
	{controller.RuleJudgeOffer, "check-offer"},
	{controller.RuleJudgeTag, "check-roll"},
	{controller.RuleJudgeDiameter, "check-roll"},
	{controller.RuleJudgeWidth, "check-roll"},
	{controller.RuleJudgeLate, "check-late"},
	{controller.RuleJudgeInTime, "check-hold"},
	{controller.RuleJudgeAlive, "check-alive"},
	{controller.RuleJudgeOrder, "check-order"},
	{controller.RuleHoldAnyhow, "check-hold-permissive"},
	{controller.RuleHoldHeld, "check-hold"},
	{controller.RuleJudgePermissive, "check-permissive"},
	{controller.RulePermissiveNo, "check-permissive"},
	{controller.RuleLimitLeast, "limits-each"},
	{controller.RuleLimitGreatest, "limits-each"},
	{controller.RuleLimitBits, "limits-each"},
	{controller.RuleLimitField, "limits-each"},
	{controller.RuleLimitsWhole, "limits-told"},
	{controller.RuleLimitsNarrower, "limits-each"},
	{controller.RuleLimitsWider, "limits-ends"},
	{controller.RuleLimitInside, "limits-ends"},
	{controller.RuleLimitGroup, "limits-group"},
	{controller.RuleLimitCeiling, "limits-ceiling"},
	{controller.RuleLimitClosing, "limits-closing"},
	{controller.RuleResultOffer, "check-damaged"},
	{controller.RuleResultReq, "check-hold"},
	{controller.RuleResultCRC, "check-hold"},
	{controller.RuleOnePublication, "one-publication"},
	{controller.RuleVerdictAtOnce, "one-publication"},
	{controller.RuleRollNo, "roll-enters"},
	{controller.RuleEnterRequest, "roll-enters"},
	{controller.RuleMeasured, "measured-again"},
	{controller.RuleRetry, "retry"},
	{controller.RuleRequestAnyhow, "check-hold-permissive"},
	{controller.RuleManual, "manual"},
	{controller.RuleManualHeld, "manual-held"},
	{controller.RuleAutomatic, "manual"},
	{controller.RuleByHand, "manual-done"},
	{controller.RuleWrapped, "wrapped"},
	{controller.RuleFlicker, "presence-flicker"},
	{controller.RuleFlickerRun, "presence-run-flicker"},
	{controller.RuleGoneAwait, "presence-await"},
	{controller.RuleGoneHeld, "presence-held"},
	{controller.RuleGoneManual, "presence-manual"},
	{controller.RuleGoneRun, "presence-run"},
	{controller.RuleGoneAnswer, "presence-run"},
	{controller.RuleGoneSame, "presence-run-same"},
	{controller.RuleAbort, "abort"},
	{controller.RuleAbortRest, "abort"},
	{controller.RuleAbortConfirm, "abort-confirmed"},
	{controller.RuleOutcomeNone, "presence-await"},
	{controller.RuleOutcomeNames, "wrapped"},
	{controller.RuleRingWaits, "ring-full"},
	{controller.RuleRingEntry, "presence-await"},
	{controller.RuleRingOverwrite, "ring-beyond"},
	{controller.RuleRunGoesOn, "recipe-accepted"},
	{controller.RuleStartAccepted, "motion-accepted"},
	{controller.RuleStartPhase, "motion-phase"},
	{controller.RuleStartEdge, "motion-held-down"},
	{controller.RuleStartPermit, "motion-permissive"},
	{controller.RulePermitTakes, "motion-permissive"},
	{controller.RulePermitReturns, "motion-permissive"},
	{controller.RuleStartRoll, "motion-gone"},
	{controller.RuleGoneTakes, "motion-gone"},
	{controller.RuleAnswerStarts, "motion-gone"},
	{controller.RuleAbortTakes, "motion-abort"},
	{controller.RuleDoneTakes, "motion-accepted"},
	{controller.RuleManualStarts, "motion-manual"},
	{controller.RulePowerStarts, "motion-restart"},
	{controller.RuleLinkStarts, "motion-link"},
	{controller.RuleCloseLeast, "closing"},
	{controller.RuleCloseGreatest, "closing"},
	{controller.RuleCloseWaits, "closing-waited"},
	{controller.RuleBoot, "restart-await"},
	{controller.RuleBootSession, "restart-await"},
	{controller.RuleBootFloor, "restart-await"},
	{controller.RuleBootResult, "restart-await"},
	{controller.RuleBootRing, "restart-await"},
	{controller.RuleBootRoll, "restart-empty"},
	{controller.RuleBootAwait, "restart-await"},
	{controller.RuleBootHeld, "restart-held"},
	{controller.RuleBootManual, "restart-manual"},
	{controller.RuleBootRun, "restart-run"},
	{controller.RuleBootToken, "restart-run-same"},
	{controller.RuleLostPhase, "memory-lost"},
	{controller.RuleLostFlag, "memory-lost"},
	{controller.RuleLostFloor, "memory-lost"},
	{controller.RuleLostClock, "memory-lost"},
	{controller.RuleLostRoll, "memory-lost"},
	{controller.RuleLostConfirm, "memory-lost"},
	{controller.RuleLostAlarm, "memory-clock"},
}

// Each program that breaks one rule is named by the case that is there for it.
func TestEachBrokenRuleIsNamed(t *testing.T) {
	for _, m := range mutants {
		t.Run(string(m.rule), func(t *testing.T) {
			t.Parallel()
			r := newRig(m.rule, maintenance)
			if m.rule == controller.RuleLimitCeiling {
				r = newRigWith(m.rule, maintenance, hotLimits())
			}
			p := prove(t, r, func(s *conform.Settings, _ *conform.Outside) { s.Only = []string{m.by} })
			if got := p.of(t, m.by); got.Outcome != conform.Failed || len(got.Frames) == 0 {
				t.Fatalf("%s by %s: %s %s, %d frames", m.rule, m.by, got.Outcome, got.Why, len(got.Frames))
			} else {
				t.Log(got.Why)
			}
		})
	}
}

// hotLimits are limits of somebody who entered more than a platen may have.
func hotLimits() []controller.Limit {
	all := controller.DataSheet()
	for i := range all {
		switch all[i].Field {
		case "header_temperature", "closing_least", "closing_greatest":
			all[i].Max = 2100
		}
	}
	return all
}
