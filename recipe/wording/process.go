package wording

// process are the faults of the process, as notices.
var process = []Entry{
	{"notice.platen-cold", "The platens are below their setpoint at one request after the other."},
	{"notice.platen-cold.do", "Check the heaters and their supply, let the platens recover between rolls; a sensor that reads low looks the same. Beware of the hot platens."},
	{"notice.feed-counts", "The wrapper drawn by the encoder is not what the turns of the roll and its overlap take."},
	{"notice.feed-counts.do", "Look at the feed roll: dust lets it slip, wear makes it smaller, glue larger; where one slot alone shows it, its wrapper slides: compare the label. Then calibrate the slip. Isolate the drive before reaching in."},
	{"notice.scale-off", "The scale reads otherwise than predicted, whatever the slot."},
	{"notice.scale-off.do", "Check the zero of the scale with nothing on it, then the densities of the grades and the masses of the cores."},
	{"notice.wrapper-weight", "Rolls wrapped from one slot weigh as if another wrapper hung there."},
	{"notice.wrapper-weight.do", "Compare the label of the wrapper roll in the slot with the configuration."},
	{"notice.scanner-position", "One position of the scanner reads otherwise than its neighbours, roll after roll."},
	{"notice.scanner-position.do", "Clean the sensor at that position, then check its zero; a ridge that every roll has there looks the same."},
	{"notice.scanner-blind", "One position of the scanner loses readings, roll after roll."},
	{"notice.scanner-blind.do", "Clean the sensor at that position and check its cable."},
	{"notice.overhang-off", "The measured overhang is not the expected one, roll after roll."},
	{"notice.overhang-off.do", "Measure the width of the wrapper in the slot and compare it with the configuration; where every slot shows it, check the centring."},
	{"notice.press-pressure-low", "The measured pressure of the press is below its setpoint, roll after roll."},
	{"notice.press-pressure-low.do", "Check pump, relief valve and oil of the hydraulic unit; look at the ends of the rolls concerned for places without a bond. Relieve the pressure before any work on it."},
	{"notice.caliper-off", "Diameter and consumption of a wrapper roll do not fit its wound caliper."},
	{"notice.caliper-off.do", "Compare the label of the wrapper roll with the configuration, then calibrate the caliper; where every slot shows it, check the feed counts."},
}
