package record

// Kinds lists the kinds of record.
func Kinds() []Kind {
	var out []Kind
	for _, r := range kinds {
		out = append(out, r.Kind())
	}
	return out
}
