package event

// OrderOf returns the order number that data names in its field order, "" if none.
func OrderOf(d Data) string {
	switch d := d.(type) {
	case *Order:
		return d.Order
	case *Pack:
		return d.Order
	case *Return:
		return d.Order
	case *Reprint:
		return d.Order
	case *Damage:
		return d.Order
	}
	return ""
}
