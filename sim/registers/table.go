package registers

// shapes is the table. It is never written to.
var shapes = build()

func build() []Shape {
	all := []Shape{
		{Block: Request, Prefix: "request", Words: RequestWords, TypeWord: 0x5251, Layout: true, Base: 1000, Fields: request()},
		{Block: Outcome, Prefix: "outcome", Words: OutcomeWords, TypeWord: 0x4F55, Layout: true, Base: 1200, Fields: outcome()},
		{Block: Heartbeat, Prefix: "heartbeat", Words: HeartbeatWords, TypeWord: 0x4842, Base: 4000, Gateway: true, Fields: heartbeat()},
		{Block: Hello, Prefix: "hello", Words: HelloWords, TypeWord: 0x4845, Layout: true, Base: 4010, Gateway: true, Fields: hello()},
		{Block: Payload, Prefix: "payload", Words: PayloadWords, TypeWord: 0x5041, Layout: true, Base: 4030, Gateway: true, Fields: payload()},
		{Block: Commit, Prefix: "commit", Words: CommitWords, TypeWord: 0x434D, Base: 4120, Gateway: true, Fields: commit()},
		{Block: Ack, Prefix: "ack", Words: AckWords, TypeWord: 0x414B, Base: 4140, Gateway: true, Fields: ack()},
		{Block: Limits, Prefix: "limits", Words: LimitsWords, TypeWord: 0x4C49, Layout: true, Base: 4200, Fields: limits()},
	}
	for i := range all {
		s := &all[i]
		s.index = make(map[string]int, len(s.Fields))
		for k := range s.Fields {
			s.index[s.Fields[k].Name] = k
		}
	}
	return all
}

func field(form Form, register int, name string) Field {
	return Field{Name: name, Register: register, Form: form, Count: 1, Steps: 1, Group: Always}
}

func word(register int, name string) Field   { return field(Word, register, name) }
func signed(register int, name string) Field { return field(Signed, register, name) }
func long(register int, name string) Field   { return field(Long, register, name) }
func text(register int, name string) Field   { return field(Text, register, name) }

// in gives a field its unit, and how many steps of the register make one.
func (f Field) in(unit string, steps float64) Field { f.Unit, f.Steps = unit, steps; return f }

// times makes a field an array.
func (f Field) times(n int) Field { f.Count = n; return f }

// of puts a setpoint into its group.
func (f Field) of(g Group) Field { f.Group = g; return f }

// named gives the numbers from 0 on their words.
func (f Field) named(words ...string) Field { f.Named = words; return f }

// shown gives a field the variable that shows it to people.
func (f Field) shown(display, meaning string) Field {
	f.Display, f.Meaning = display, meaning
	return f
}

// Words of the numbers that mean something.
func phases() []string   { return []string{"empty", "await", "run", "held", "manual", "fault"} }
func verdicts() []string { return []string{"none", "accepted", "rejected", "held"} }
func outcomes() []string {
	return []string{"none", "wrapped", "wrapped by hand", "removed", "aborted", "unknown after memory loss"}
}

func flags() Field {
	f := field(Flags, 15, "flags")
	f.Bits = []Bit{
		{"Permitted", "All permissives are on"}, {}, {}, {}, {"GatewayAlive", "The gateway is alive"}, {}, {},
	}
	return f
}

func request() []Field {
	return []Field{
		word(2, "gen_head"),
		long(3, "boot_id"),
		long(5, "tick").in("s", 100),
		long(7, "active_epoch"),
		long(9, "active_nonce"),
		long(11, "epoch_floor"),
		word(13, "last_offer"),
		word(14, "phase").named(phases()...).shown("Phase", "Phase of the station"),
		flags(),
		long(16, "permissives"),
		long(18, "roll_no").shown("RollNumber", "Number of the roll"),
		long(20, "req_id").shown("RequestNumber", "Number of the request"),
		text(22, "roll_tag").shown("Tag", "Tag of the roll"),
		long(30, "diameter").in("mm", 10).shown("Diameter", "Diameter of the roll"),
		long(32, "width").in("mm", 10).shown("Width", "Width of the roll"),
		long(34, "weight").in("kg", 10).shown("Weight", "Weight of the roll if it was weighed before, else 0"),
		word(36, "grade").shown("GradeCode", "Code of the grade, 0 none"),
		word(37, "core").shown("CoreCode", "Code of the core, 0 none"),
		word(38, "scan_quality").in("%", 1).shown("ScanQuality", "Quality of the scan"),
		word(39, "scan_age").in("s", 100).shown("ScanAge", "Age of the scan when the request was published"),
		long(40, "result_req_id"),
		long(42, "result_epoch"),
		long(44, "result_nonce"),
		word(46, "result_offer"),
		word(47, "result_verdict").named(verdicts()...).shown("Verdict", "Verdict on the newest offer"),
		word(48, "result_reason").shown("Reason", "Reason of the verdict"),
		long(49, "result_payload_crc"),
		long(51, "outcomes_produced").shown("OutcomesProduced", "Outcomes produced"),
		long(53, "outcomes_acknowledged").shown("OutcomesAcknowledged", "Outcomes acknowledged"),
		long(55, "stale_commits"),
		long(57, "outcomes_overwritten"),
		word(59, "unit_mode"),
		word(60, "unit_state"),
		word(61, "diameter_samples_given"),
		word(62, "width_samples_given"),
		word(63, "diameter_samples").in("mm", 10).times(12),
		word(75, "width_samples").in("mm", 10).times(8),
		word(83, "slots_ready"),
		word(84, "slot_outer_diameter").in("mm", 1).times(6),
		word(90, "slot_confirmed"),
		word(91, "platen_temperature").in("°C", 10).shown("PlatenTemperature", "Temperature of the cooler platen"),
		word(92, "platen_hot_temperature").in("°C", 10).shown("PlatenHotTemperature", "Temperature of the hotter platen"),
		word(93, "gen_tail"),
	}
}

func outcome() []Field {
	return []Field{
		long(2, "out_idx").shown("Index", "Number of the outcome"),
		long(4, "roll_no").shown("RollNumber", "Number of the roll"),
		long(6, "boot_id"),
		long(8, "req_id"),
		long(10, "epoch"),
		long(12, "nonce"),
		word(14, "offer"),
		word(15, "outcome").named(outcomes()...).shown("Outcome", "What became of the roll"),
		word(16, "reason"),
		long(17, "payload_crc"),
		word(19, "used_slot").shown("WrapperSlot", "Slot of the wrapper used"),
		long(20, "used_feed_length").in("mm", 10).shown("FeedLength", "Length of wrapper fed"),
		word(22, "used_layers").in("", 100).shown("Layers", "Layers wound"),
		word(23, "used_crimp_time").in("s", 100).shown("CrimpTime", "Time of crimping"),
		word(24, "used_header_temperature").in("°C", 10).shown("HeaderTemperature", "Temperature of the platens"),
		word(25, "used_header_dwell").in("s", 100).shown("HeaderDwell", "Time that the platens pressed"),
		word(26, "used_outer_head").in("mm", 1).shown("OuterHead", "Diameter of the outer head"),
		word(27, "used_overlap").in("mm", 10).shown("Overlap", "Overlap of the wrapper"),
		long(28, "scale_reading").in("kg", 10).shown("ScaleReading", "Reading of the scale, 0 not weighed"),
		long(30, "wrapper_used").in("mm", 10).shown("EncoderLength", "Wrapper used by the encoder"),
		long(32, "tick_start").in("s", 100),
		long(34, "tick_end").in("s", 100),
		word(36, "measured_overhang").in("mm", 10).shown("MeasuredOverhang", "Overhang as measured, 0 not measured"),
		word(37, "press_pressure").in("kPa", 1).shown("PressPressure", "Pressure of the press as measured, 0 not measured"),
	}
}

func heartbeat() []Field {
	return []Field{
		word(1, "count"), long(2, "epoch"), long(4, "nonce"), word(6, "gateway_state"), word(7, "gateway_flags"),
	}
}

func hello() []Field { return []Field{long(2, "epoch"), long(4, "nonce"), long(6, "boot_id")} }

func payload() []Field {
	return append([]Field{
		long(2, "epoch"),
		long(4, "nonce"),
		long(6, "boot_id"),
		long(8, "req_id"),
		long(10, "roll_no").shown("RollNumber", "Number of the roll"),
		word(12, "offer"),
		word(13, "kind"),
		word(14, "hold_reason"),
		word(15, "origin"),
		word(16, "override_reason"),
		long(17, "operator"),
		long(19, "config_hash"),
		text(21, "roll_tag").shown("Tag", "Tag of the roll that the recipe was made for"),
		long(29, "diameter").in("mm", 10),
		long(31, "width").in("mm", 10),
	}, setpoints()...)
}

// FirstSetpoint is the first register of the payload that holds a setpoint.
const FirstSetpoint = 33

// Setpoints are the fields of the payload that hold one, by register.
func Setpoints() []Field { return setpoints() }

func setpoints() []Field {
	return []Field{
		word(33, "slot").of(GroupStand).shown("WrapperSlot", "Slot of the wrapper"),
		word(34, "wrapper_width").in("mm", 10).of(GroupStand).shown("WrapperWidth", "Width of the wrapper"),
		long(35, "feed_length").in("mm", 10).of(GroupWrap).shown("FeedLength", "Length of wrapper to feed"),
		long(37, "feed_counts").of(GroupWrap).shown("FeedCounts", "Length of wrapper to feed, in encoder counts"),
		word(39, "layers").in("", 100).of(GroupWrap).shown("Layers", "Layers of wrapper"),
		word(40, "overlap").in("mm", 10).of(GroupWrap).shown("Overlap", "Overlap of the wrapper"),
		word(41, "wrap_speed").in("m/s", 1000).of(GroupWrap).shown("WrapSpeed", "Surface speed while wrapping"),
		word(42, "turning_frequency").in("Hz", 100).of(GroupDrives).shown("TurningDrive", "Turning drive while wrapping"),
		word(43, "feed_frequency").in("Hz", 100).of(GroupDrives).shown("FeedDrive", "Feed drive"),
		word(44, "crimp_turns").in("", 100).of(GroupCrimp).shown("CrimpTurns", "Turns of the roll while crimping"),
		word(45, "crimp_time").in("s", 100).of(GroupCrimp).shown("CrimpTime", "Time of crimping"),
		word(46, "crimp_turning_frequency").in("Hz", 100).of(GroupDrives).shown("TurningDriveCrimping", "Turning drive while crimping"),
		word(47, "crimper_frequency").in("Hz", 100).of(GroupDrives).shown("CrimperDrive", "Crimper drive"),
		word(48, "crimper_pressure").in("kPa", 1).of(GroupCrimp).shown("CrimperPressure", "Pressure of the crimper"),
		word(49, "roll_centre").in("mm", 10).of(GroupCrimp).shown("CentreHeight", "Height of the roll's centre"),
		word(50, "crimper_position").in("mm", 10).of(GroupCrimp).shown("CrimperPosition", "Position of the crimper"),
		word(51, "platen_stroke").in("mm", 10).of(GroupHeader).shown("PlatenStroke", "Stroke of the platen"),
		word(52, "contact_pressure").in("kPa", 10).of(GroupHeader).shown("ContactPressure", "Pressure of the platen on the head"),
		word(53, "header_temperature").in("°C", 10).of(GroupHeader).shown("HeaderTemperature", "Temperature of the platens"),
		word(54, "header_dwell").in("s", 100).of(GroupHeader).shown("HeaderDwell", "Time that the platens press"),
		word(55, "inner_head").in("mm", 1).shown("InnerHead", "Diameter of the inner head, 0 none"),
		word(56, "outer_head").in("mm", 1).shown("OuterHead", "Diameter of the outer head, 0 none"),
		word(57, "vacuum_zones").shown("VacuumZones", "Vacuum zones that are on, one bit each"),
		word(58, "glue").in("g", 1).of(GroupGlue).shown("Glue", "Glue"),
		word(59, "closing_least").in("°C", 10).of(GroupHeader).shown("ClosingLeast", "Least temperature of the cooler platen at which the press may close"),
		long(60, "gross_mass").in("kg", 10).of(GroupWeigh).shown("GrossMass", "Gross mass expected at the scale"),
		long(62, "tare").in("kg", 10).of(GroupWeigh).shown("Tare", "Tare"),
		word(64, "scale_tolerance").in("%", 100).of(GroupWeigh).shown("ScaleTolerance", "Tolerance at the scale"),
		signed(65, "centring_offset").in("mm", 10).of(GroupCentre).shown("CentringOffset", "Offset of the roll from the centre of the line"),
		word(66, "groups").shown("Groups", "Groups of setpoints in force, one bit each"),
		word(67, "closing_greatest").in("°C", 10).of(GroupHeader).shown("ClosingGreatest", "Greatest temperature of the hotter platen at which the press may close"),
	}
}

func commit() []Field {
	return []Field{
		word(1, "offer"), long(2, "epoch"), long(4, "nonce"), long(6, "req_id"), long(8, "payload_crc"), long(10, "tick").in("s", 100),
	}
}

func ack() []Field { return []Field{long(2, "epoch"), long(4, "nonce"), long(6, "up_to")} }

// Least names the field of the block LIMITS that has the least value of a setpoint.
func (f *Field) Least() string { return "least_" + f.Name }

// Greatest names the field of the block LIMITS that has its greatest value.
func (f *Field) Greatest() string { return "greatest_" + f.Name }

// limits has a least and a greatest value of each setpoint, in the form of the
// setpoint.
func limits() []Field {
	const firstLeast, firstGreatest = 4, 39
	all := []Field{word(2, "gen")}
	bound := func(f Field, name string, first int) Field {
		f.Name, f.Register, f.Display, f.Meaning = name, first+f.Register-FirstSetpoint, "", ""
		return f
	}
	for _, f := range setpoints() {
		all = append(all, bound(f, f.Least(), firstLeast), bound(f, f.Greatest(), firstGreatest))
	}
	return all
}
