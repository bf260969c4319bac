package handshake

// The tables of the gateway's blocks. Their rows are in register order.

var heartbeatTable = build(table[Heartbeat]{
	block: HEARTBEAT, words: HeartbeatWords, typ: 0x4842, dir: ToController,
	fields: []field[Heartbeat]{
		u16f(1, "count", 1, "", "Changes with every heartbeat.", func(h *Heartbeat) *uint16 { return &h.Count }),
		u32f(2, "epoch", 1, "", "Epoch of the session.", func(h *Heartbeat) *uint32 { return &h.Session.Epoch }),
		u32f(4, "nonce", 1, "", "Nonce of the session.", func(h *Heartbeat) *uint32 { return &h.Session.Nonce }),
		u16f(6, "gateway_state", 1, "", "State of the gateway, for displays.", func(h *Heartbeat) *uint16 { return &h.State }),
		u16f(7, "gateway_flags", 1, "", "Bit 0 hold all, 1 journal fault, 2 configuration fault, 3 standby.", func(h *Heartbeat) *uint16 { return &h.Flags }).bitset(),
	},
})

var helloTable = build(table[Hello]{
	block: HELLO, words: HelloWords, typ: 0x4845, layout: true, dir: ToController,
	fields: []field[Hello]{
		u32f(2, "epoch", 1, "", "Epoch of the session to open.", func(h *Hello) *uint32 { return &h.Session.Epoch }),
		u32f(4, "nonce", 1, "", "Nonce of the session to open, never 0.", func(h *Hello) *uint32 { return &h.Session.Nonce }),
		u32f(6, "boot_id", 1, "", "Start of the controller program that the session is for, echoed.", func(h *Hello) *uint32 { return &h.Boot }),
	},
})

var payloadTable = build(table[Payload]{
	block: PAYLOAD, words: PayloadWords, typ: 0x5041, layout: true, dir: ToController,
	fields: []field[Payload]{
		u32f(2, "epoch", 1, "", "Epoch of the session.", func(p *Payload) *uint32 { return &p.Session.Epoch }),
		u32f(4, "nonce", 1, "", "Nonce of the session.", func(p *Payload) *uint32 { return &p.Session.Nonce }),
		u32f(6, "boot_id", 1, "", "Start of the controller program, echoed.", func(p *Payload) *uint32 { return &p.Boot }),
		u32f(8, "req_id", 1, "", "Request that is answered.", func(p *Payload) *uint32 { return &p.Req }),
		u32f(10, "roll_no", 1, "", "Roll that the offer is for.", func(p *Payload) *uint32 { return &p.RollNo }),
		u16f(12, "offer", 1, "", "Number of the offer within the session, from 1.", func(p *Payload) *uint16 { return &p.Offer }),
		u16f(13, "kind", 1, "", "1 recipe, 2 hold.", func(p *Payload) *uint16 { return (*uint16)(&p.Kind) }),
		u16f(14, "hold_reason", 1, "", "Reason of a hold, 0 none.", func(p *Payload) *uint16 { return (*uint16)(&p.HoldReason) }),
		u16f(15, "origin", 1, "", "1 computed, 2 override by a person.", func(p *Payload) *uint16 { return (*uint16)(&p.Origin) }),
		u16f(16, "override_reason", 1, "", "Reason of an override, 0 none.", func(p *Payload) *uint16 { return &p.OverrideReason }),
		u32f(17, "operator", 1, "", "Number of the operator of an override, 0 none.", func(p *Payload) *uint32 { return &p.Operator }),
		u32f(19, "config_hash", 1, "", "Configuration in force, first 32 bits of its hash.", func(p *Payload) *uint32 { return &p.ConfigHash }),
		textf(21, TagLen/2, "roll_tag", "Tag of the roll, all words echoed as they stand.", func(p *Payload) *Tag { return &p.Tag }),
		u32f(29, "diameter", 0.1, "mm", "Diameter of the roll, echoed.", func(p *Payload) *uint32 { return &p.Diameter }),
		u32f(31, "width", 0.1, "mm", "Width of the roll, echoed.", func(p *Payload) *uint32 { return &p.Width }),
		u16f(33, "slot", 1, "", "Wrapper slot.", func(p *Payload) *uint16 { return &p.Slot }).
			setpoint("wrapper_slot"),
		u16f(34, "wrapper_width", 0.1, "mm", "Width of the wrapper.", func(p *Payload) *uint16 { return &p.WrapperWidth }).
			setpoint("wrapper_width_m"),
		u32f(35, "feed_length", 0.1, "mm", "Length of wrapper to feed.", func(p *Payload) *uint32 { return &p.FeedLength }).
			setpoint("feed_length_m"),
		u32f(37, "feed_counts", 1, "", "The same in counts of the feed encoder.", func(p *Payload) *uint32 { return &p.FeedCounts }).
			setpoint("feed_counts"),
		u16f(39, "layers", 0.01, "", "Layers of wrapper.", func(p *Payload) *uint16 { return &p.Layers }).
			setpoint("layers"),
		u16f(40, "overlap", 0.1, "mm", "Overlap of the last layer.", func(p *Payload) *uint16 { return &p.Overlap }).
			setpoint("overlap_m"),
		u16f(41, "wrap_speed", 1, "mm/s", "Surface speed while wrapping.", func(p *Payload) *uint16 { return &p.WrapSpeed }).
			setpoint("wrap_speed_m_s"),
		u16f(42, "turning_frequency", 0.01, "Hz", "Turning drive while wrapping.", func(p *Payload) *uint16 { return &p.TurningHz }).
			setpoint("turning_hz"),
		u16f(43, "feed_frequency", 0.01, "Hz", "Feed drive.", func(p *Payload) *uint16 { return &p.FeedHz }).
			setpoint("feed_hz"),
		u16f(44, "crimp_turns", 0.01, "", "Turns of the roll while crimping.", func(p *Payload) *uint16 { return &p.CrimpTurns }).
			setpoint("crimp_turns"),
		u16f(45, "crimp_time", 0.01, "s", "Time of crimping.", func(p *Payload) *uint16 { return &p.CrimpTime }).
			setpoint("crimp_time_s"),
		u16f(46, "crimp_turning_frequency", 0.01, "Hz", "Turning drive while crimping.", func(p *Payload) *uint16 { return &p.CrimpTurningHz }).
			setpoint("crimp_turning_hz"),
		u16f(47, "crimper_frequency", 0.01, "Hz", "Crimper drive.", func(p *Payload) *uint16 { return &p.CrimperHz }).
			setpoint("crimper_hz"),
		u16f(48, "crimper_pressure", 1, "kPa", "Pressure of the crimper.", func(p *Payload) *uint16 { return &p.CrimperPressure }).
			setpoint("crimper_pressure_pa"),
		u16f(49, "roll_centre", 0.1, "mm", "Height of the roll's centre.", func(p *Payload) *uint16 { return &p.RollCentre }).
			setpoint("roll_centre_height_m"),
		u16f(50, "crimper_position", 0.1, "mm", "Position of the crimper.", func(p *Payload) *uint16 { return &p.CrimperPosition }).
			setpoint("crimper_position_m"),
		u16f(51, "platen_stroke", 0.1, "mm", "Stroke of the platen.", func(p *Payload) *uint16 { return &p.PlatenStroke }).
			setpoint("platen_stroke_m"),
		u16f(52, "contact_pressure", 0.1, "kPa", "Pressure of the platen on the head.", func(p *Payload) *uint16 { return &p.ContactPressure }).
			setpoint("contact_pressure_pa"),
		u16f(53, "header_temperature", 0.1, "°C", "Temperature of the header.", func(p *Payload) *uint16 { return &p.Temperature }).
			setpoint("header_temperature_c"),
		u16f(54, "header_dwell", 0.01, "s", "Dwell of the header.", func(p *Payload) *uint16 { return &p.Dwell }).
			setpoint("header_dwell_s"),
		u16f(55, "inner_head", 1, "mm", "Diameter of the inner head, 0 none.", func(p *Payload) *uint16 { return &p.InnerHead }).
			setpoint("inner_head_m"),
		u16f(56, "outer_head", 1, "mm", "Diameter of the outer head, 0 none.", func(p *Payload) *uint16 { return &p.OuterHead }).
			setpoint("outer_head_m"),
		u16f(57, "vacuum_zones", 1, "", "Vacuum zones that are on, bits.", func(p *Payload) *uint16 { return &p.Zones }).bitset().
			setpoint("vacuum_zones"),
		u16f(58, "glue", 1, "g", "Glue.", func(p *Payload) *uint16 { return &p.Glue }).
			setpoint("glue_mass_kg"),
		u16f(59, "closing_least", 0.1, "°C", "Least temperature of the cooler platen at which the press may close, 0 for an unheated press.", func(p *Payload) *uint16 { return &p.CloseMin }).
			setpoint("header_close_min_c").since(2),
		u32f(60, "gross_mass", 0.1, "kg", "Gross mass expected on the scale.", func(p *Payload) *uint32 { return &p.Gross }).
			setpoint("gross_kg"),
		u32f(62, "tare", 0.1, "kg", "Mass of the packing.", func(p *Payload) *uint32 { return &p.Tare }).
			setpoint("tare_kg"),
		u16f(64, "scale_tolerance", 0.01, "%", "Tolerance of the scale's reading.", func(p *Payload) *uint16 { return &p.ScaleTolerance }).
			setpoint("scale_tolerance"),
		i16f(65, "centring_offset", 0.1, "mm", "Offset of the roll from the middle of the wrapper.", func(p *Payload) *int16 { return &p.Centring }).
			setpoint("centring_offset_m"),
		u16f(66, "groups", 1, "", "Groups in force: bit 0 stand, 1 wrap, 2 crimp, 3 glue, 4 header, 5 weigh, 6 centre, 7 drives.", func(p *Payload) *uint16 { return &p.Groups }).bitset(),
		u16f(67, "closing_greatest", 0.1, "°C", "Greatest temperature of the hotter platen at which the press may close, 0 for an unheated press.", func(p *Payload) *uint16 { return &p.CloseMax }).
			setpoint("header_close_max_c").since(2),
	},
})

var commitTable = build(table[Commit]{
	block: COMMIT, words: CommitWords, typ: 0x434D, dir: ToController,
	fields: []field[Commit]{
		u16f(1, "offer", 1, "", "Number of the offer.", func(c *Commit) *uint16 { return &c.Offer }),
		u32f(2, "epoch", 1, "", "Epoch of the session.", func(c *Commit) *uint32 { return &c.Session.Epoch }),
		u32f(4, "nonce", 1, "", "Nonce of the session.", func(c *Commit) *uint32 { return &c.Session.Nonce }),
		u32f(6, "req_id", 1, "", "Request that is answered.", func(c *Commit) *uint32 { return &c.Req }),
		u32f(8, "payload_crc", 1, "", "Checksum of the payload to judge.", func(c *Commit) *uint32 { return &c.PayloadCRC }),
		u32f(10, "tick", 0.01, "s", "Clock of the controller at the last look, echoed.", func(c *Commit) *uint32 { return &c.Tick }),
	},
})

var ackTable = build(table[Ack]{
	block: ACK, words: AckWords, typ: 0x414B, dir: ToController,
	fields: []field[Ack]{
		u32f(2, "epoch", 1, "", "Epoch of the session.", func(a *Ack) *uint32 { return &a.Session.Epoch }),
		u32f(4, "nonce", 1, "", "Nonce of the session.", func(a *Ack) *uint32 { return &a.Session.Nonce }),
		u32f(6, "up_to", 1, "", "Index up to which outcomes are durable at the gateway.", func(a *Ack) *uint32 { return &a.UpTo }),
	},
})
