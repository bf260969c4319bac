package conform

import "slices"

// Act is one thing to be done at the controller.
type Act struct {
	Name    string `json:"act"`                // what a program that does the acts is told
	Text    string `json:"text" print:"below"` // what a person is told
	Caution string `json:"caution" print:"below"`
}

// Sight is one thing to be looked at.
type Sight struct {
	Name string `json:"sight"`
	Text string `json:"text" print:"below"`
}

// The cautions.
const (
	nip      = "Turning rolls, feed and crimpers are nip points and start without warning: lock out, and keep clear."
	lift     = "Rolls overhead and on a slope fall or roll: chock the roll, and keep from under it."
	stored   = "Cylinders, brakes and presses hold pressure after the power is off: let it off before anyone reaches in."
	burns    = "Platens burn at once and stay hot for long: simulate the sensors, do not heat the platens."
	looks    = "Stand at the station and look before you answer."
	licensed = "Only people who are trained and licensed for it switch the controller, under the codes of the place."
)

// The acts.
var (
	actPlace       = Act{"place", "Take away any roll that lies at the station, wait for GONE_TIME, then place a roll and let it be measured. A sensor that is simulated will do.", lift}
	actRemove      = Act{"remove", "Take the roll away, or its sensor off, for longer than GONE_TIME.", lift}
	actPutBack     = Act{"put-back", "Lay the same roll back, or its sensor on.", lift}
	actEnterAgain  = Act{"enter-again", "Let the line report the roll that still lies there as one that enters.", nip}
	actFlicker     = Act{"flicker", "Cover the sensor of the roll for less than GONE_TIME, and uncover it.", lift}
	actMeasure     = Act{"measure", "Measure the roll at the station again.", nip}
	actRetry       = Act{"retry", "Press retry.", nip}
	actManual      = Act{"manual", "Choose manual.", nip}
	actAuto        = Act{"automatic", "Choose automatic.", nip}
	actByHand      = Act{"by-hand", "Report the roll as wrapped by hand.", nip}
	actFinish      = Act{"finish", "Let the line report the roll as wrapped.", nip}
	actStart       = Act{"start", "Press start, and let it go.", nip}
	actStartDown   = Act{"start-down", "Press start, and keep it down.", nip}
	actStartUp     = Act{"start-up", "Let start go.", nip}
	actAbort       = Act{"abort", "Report an abort, and leave the roll where it lies.", nip + " " + lift}
	actPermitOff   = Act{"permissive-off", "Take away the first permissive.", nip}
	actPermitOn    = Act{"permissive-on", "Give the permissive back.", nip}
	actPower       = Act{"power", "Switch the controller off and on, or stop and start its program.", licensed + " " + stored}
	actSame        = Act{"same-roll", "Answer that the same roll lies at the station.", looks}
	actOther       = Act{"other-roll", "Answer that another roll, or none, lies at the station.", looks}
	actLoseMemory  = Act{"lose-memory", "Clear the retained memory and start the program again, as the memory-loss procedure says.", licensed + " " + stored}
	actAcknowledge = Act{"acknowledge", "Acknowledge the loss of memory.", looks}
	actClockZero   = Act{"clock-zero", "Set the clock of the controller to its zero.", licensed}
	actClockRight  = Act{"clock-right", "Set the clock of the controller right.", licensed}
	actFillRing    = Act{"fill-ring", "Let rolls come and go until 64 outcomes wait (flag 3).", lift}
	actPlatensCold = Act{"platens-cold", "Let the cooler platen read 5 °C under its least temperature of closing, the hotter one what is right.", burns}
	actPlatensHot  = Act{"platens-hot", "Let the hotter platen read 5 °C over its greatest temperature of closing, the cooler one what is right.", burns}
	actPlatensGood = Act{"platens-good", "Let both platens read between the two temperatures of closing.", burns}
	actClose       = Act{"close", "Let the line ask the press to close.", burns + " " + stored}
	actOpen        = Act{"open", "Let the line open the press.", burns + " " + stored}
)

// Acts lists every act that a case may ask for.
func Acts() []Act {
	return slices.Clone([]Act{
		actPlace, actRemove, actPutBack, actEnterAgain, actFlicker, actMeasure, actRetry, actManual, actAuto, actByHand, actFinish, actStart, actStartDown, actStartUp, actAbort,
		actPermitOff, actPermitOn, actPower, actSame, actOther, actLoseMemory, actAcknowledge, actClockZero, actClockRight, actFillRing,
		actPlatensCold, actPlatensHot, actPlatensGood, actClose, actOpen,
	})
}

// The sights.
var (
	seeOutputs = Sight{"outputs-on", "Is any output on? Look at the signals of the program; drives, heat and hydraulics stay locked out."}
	seeClosing = Sight{"press-closing", "Is the press told to close? Look at the signal of the program."}
	seeAlarm   = Sight{"clock-alarm", "Does the display show the alarm that the clock is not set?"}
)

// Sights lists everything that a case may ask to look at.
func Sights() []Sight { return []Sight{seeOutputs, seeClosing, seeAlarm} }
