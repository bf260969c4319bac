package wording

// instructions are what the operator does at a station that is worked by hand.
var instructions = []Entry{
	{"instruct.centring", "Put the middle of the roll on the line centre, within {tolerance}."},
	{"instruct.centring.away", "Put the middle of the roll {offset} off the line centre away from the drive side, within {tolerance}."},
	{"instruct.slot", "Take the wrapper {paper}, {width} wide, at slot {slot}, and confirm the slot at the panel."},
	{"instruct.wrap-drives", "Set the turning rolls to {turning} and the feed rolls to {feed} for wrapping."},
	{"instruct.zones", "Open the vacuum zones: {zones}."},
	{"instruct.wrap", "Feed {length} of wrapper: {layers} layers with an overlap of {overlap}. Keep hands clear of the nips."},
	{"instruct.crimp-drives", "Set the turning rolls to {turning} for crimping."},
	{"instruct.crimp", "Fold in the overhang of {overhang} at both ends: {turns} turns, crimper tips {position} from the axis of the roll. Keep hands clear of the nips."},
	{"instruct.glue", "Lay {mass} of glue on both ends, as a ring of {band} under the edge of the outer head."},
	{"instruct.inner-heads", "Before wrapping, put inner heads of {head}, {size} across, on both ends. {caution}"},
	{"instruct.outer-heads", "After crimping, put outer heads of {head}, {size} across, on both ends. {caution}"},
	{"instruct.press", "Press both ends with platens at {temperature} for {dwell}. The platens are hot: keep clear until they are open."},
	{"instruct.scale", "Weigh the roll: {mass} gross are expected, within {tolerance}. The tare is {tare}."},
	{"instruct.centring.towards", "Put the middle of the roll {offset} off the line centre towards the drive side, within {tolerance}."},
	{"instruct.crimp-drives.both", "Set the turning rolls to {turning} and the crimpers to {crimpers} for crimping."},
	{"instruct.crimp.pressure", "Fold in the overhang of {overhang} at both ends: {turns} turns, crimper tips {position} from the axis of the roll at {pressure}. Keep hands clear of the nips."},
	{"instruct.inner-heads.plugs", "Before wrapping, put inner heads of {head}, {size} across, on both ends, with core plugs of {plug}. {caution}"},
	{"instruct.press.pressure", "Press both ends with platens at {temperature} for {dwell}, {pressure} on the head. The platens are hot: keep clear until they are open."},
}
