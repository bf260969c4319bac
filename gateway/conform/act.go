package conform

import (
	"strings"

	"lapgate/recipe/caution"
)

// Act is one thing to be done at the controller.
type Act struct {
	Name    string `json:"act"`                // what a program that does the acts is told
	Text    string `json:"text" print:"below"` // what a person is told
	Caution string `json:"caution" print:"below"`
	// Roll is the tag of the roll that it is done with, empty where any will do. A
	// program that does the acts is told it too.
	Roll string `json:"-"`
}

// Sight is one thing to be looked at.
type Sight struct {
	Name string `json:"sight"`
	Text string `json:"text" print:"below"`
}

// NewAct makes an act with the cautions that belong to it.
func NewAct(name, text string, cautions ...caution.Caution) Act {
	var all []string
	for _, c := range cautions {
		all = append(all, c.String())
	}
	return Act{Name: name, Text: text, Caution: strings.Join(all, " ")}
}

// The acts.
var (
	actPlace       = NewAct("place", "Take away any roll that lies at the station, wait for GONE_TIME, then place a roll and let it be measured. A sensor that is simulated will do.", caution.RollsMove)
	actRemove      = NewAct("remove", "Take the roll away, or its sensor off, for longer than GONE_TIME.", caution.RollsMove)
	actPutBack     = NewAct("put-back", "Lay the same roll back, or its sensor on.", caution.RollsMove)
	actEnterAgain  = NewAct("enter-again", "Let the line report the roll that still lies there as one that enters. Where its sensor alone reports it, measure it again.", caution.NipPoints)
	actFlicker     = NewAct("flicker", "Cover the sensor of the roll for less than GONE_TIME, and uncover it.", caution.RollsMove)
	actMeasure     = NewAct("measure", "Measure the roll at the station again.", caution.NipPoints)
	actRetry       = NewAct("retry", "Press retry.", caution.NipPoints)
	actManual      = NewAct("manual", "Choose manual.", caution.NipPoints)
	actAuto        = NewAct("automatic", "Choose automatic.", caution.NipPoints)
	actByHand      = NewAct("by-hand", "Report the roll as wrapped by hand.", caution.NipPoints)
	actFinish      = NewAct("finish", "Let the line report the roll as wrapped.", caution.NipPoints)
	actStart       = NewAct("start", "Press start, and let it go.", caution.NipPoints)
	actStartDown   = NewAct("start-down", "Press start, and keep it down.", caution.NipPoints)
	actStartUp     = NewAct("start-up", "Let start go.", caution.NipPoints)
	actAbort       = NewAct("abort", "Report an abort, and leave the roll where it lies.", caution.NipPoints, caution.RollsMove)
	actPermitOff   = NewAct("permissive-off", "Take away the first permissive.", caution.NipPoints)
	actPermitOn    = NewAct("permissive-on", "Give the permissive back.", caution.NipPoints)
	actPower       = NewAct("power", "Switch the controller off and on, or stop and start its program.", caution.Licensed, caution.Pressure)
	actSame        = NewAct("same-roll", "Answer that the same roll lies at the station.", caution.Look)
	actOther       = NewAct("other-roll", "Answer that another roll, or none, lies at the station.", caution.Look)
	actLoseMemory  = NewAct("lose-memory", "Clear the retained memory and start the program again, as the memory-loss procedure says.", caution.Licensed, caution.Pressure)
	actAcknowledge = NewAct("acknowledge", "Acknowledge the loss of memory.", caution.Look)
	actClockZero   = NewAct("clock-zero", "Set the clock of the controller to its zero.", caution.Licensed)
	actClockRight  = NewAct("clock-right", "Set the clock of the controller right.", caution.Licensed)
	actFillRing    = NewAct("fill-ring", "Let rolls come and go until 64 outcomes wait (flag 3).", caution.RollsMove)
	actPlatensCold = NewAct("platens-cold", "Let the cooler platen read 5 °C under its least temperature of closing, the hotter one what is right.", caution.Platens)
	actPlatensHot  = NewAct("platens-hot", "Let the hotter platen read 5 °C over its greatest temperature of closing, the cooler one what is right.", caution.Platens)
	actPlatensGood = NewAct("platens-good", "Let both platens read between the two temperatures of closing.", caution.Platens)
	actClose       = NewAct("close", "Let the line ask the press to close.", caution.Platens, caution.Pressure)
	actOpen        = NewAct("open", "Let the line open the press.", caution.Platens, caution.Pressure)
)

// Acts lists every act that a case may ask for.
func Acts() []Act {
	return []Act{
		actPlace, actRemove, actPutBack, actEnterAgain, actFlicker, actMeasure, actRetry, actManual, actAuto, actByHand, actFinish, actStart, actStartDown, actStartUp, actAbort,
		actPermitOff, actPermitOn, actPower, actSame, actOther, actLoseMemory, actAcknowledge, actClockZero, actClockRight, actFillRing,
		actPlatensCold, actPlatensHot, actPlatensGood, actClose, actOpen,
	}
}

// The sights.
var (
	seeOutputs = Sight{"outputs-on", "Is any output on? Look at the signals of the program; drives, heat and hydraulics stay locked out."}
	seeClosing = Sight{"press-closing", "Is the press told to close? Look at the signal of the program."}
	seeAlarm   = Sight{"clock-alarm", "Does the display show the alarm that the clock is not set?"}
)

// Sights lists everything that a case may ask to look at.
func Sights() []Sight { return []Sight{seeOutputs, seeClosing, seeAlarm} }
