package event

// Restated returns the event whose place a definition or spec takes (its field restates), the zero id for everything else.
func Restated(d Data) ID {
	switch d := d.(type) {
	case *Item:
		return d.Restates
	case *PackSpec:
		return d.Restates
	case *MakeSpec:
		return d.Restates
	}
	return ID{}
}
