package recipe

import "reflect"

// StationKeys lists the stations of a line by their keys in the configuration, in
// its order.
func StationKeys() []string {
	var keys []string
	for f := range reflect.TypeFor[Equipment]().Fields() {
		keys = append(keys, f.Tag.Get("cfg"))
	}
	return keys
}

// Mode is where the mode of the station with that key stands, nil where there is
// none.
func (e *Equipment) Mode(key string) *Mode {
	for i, k := range StationKeys() {
		if k == key {
			m, _ := reflect.ValueOf(e).Elem().Field(i).Addr().Interface().(*Mode)
			return m
		}
	}
	return nil
}

// Station is the key of the station that works the setpoint, empty for one that goes
// with others of its group.
func (p *Setpoint) Station() string {
	if p.mode == nil {
		return ""
	}
	for _, key := range StationKeys() {
		var e Equipment
		if *e.Mode(key) = Auto; p.mode(&e) == Auto {
			return key
		}
	}
	return ""
}

// Modes are the words of the modes, by their number.
func Modes() []string { return []string{"absent", "manual", "semi", "auto"} }

// String is the mode as the configuration writes it.
func (m Mode) String() string {
	if words := Modes(); int(m) < len(words) {
		return words[m]
	}
	return "unknown"
}
