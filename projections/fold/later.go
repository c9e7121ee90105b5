package fold

import "slices"

// numbers finds the order events of a number by a table of places without the numbers themselves: a pack that stands before its order is looked for among
// all that come later, and they may be a million.
type numbers struct {
	table []uint32 // indexes of records, plus 1; 0 is free
}

func (l *Log) numbersOf(from int) *numbers {
	n := 0
	for i := from; i < len(l.recs); i++ {
		if l.recs[i].kind == isOrder {
			n++
		}
	}
	size := 16
	for size < 2*n {
		size *= 2
	}
	t := &numbers{make([]uint32, size)}
	for i := from; i < len(l.recs); i++ {
		if l.recs[i].kind != isOrder {
			continue
		}
		number, ok := l.orderNumber(&l.recs[i])
		if !ok {
			continue
		}
		at := t.slot(number)
		for t.table[at] != 0 {
			at = (at + 1) % len(t.table)
		}
		t.table[at] = uint32(i + 1)
	}
	return t
}

// slot is where the search for a number begins (FNV-1a).
func (t *numbers) slot(number []byte) int {
	h := uint32(2166136261)
	for _, c := range number {
		h = (h ^ uint32(c)) * 16777619
	}
	return int(h % uint32(len(t.table)))
}

// placedLater calls fn for the order events of a number behind the present place, in fold order, until it returns false.
func (s *State) placedLater(number string, fn func(rc *rec) bool) {
	if s.later == nil {
		s.later = s.log.numbersOf(s.at + 1)
	}
	var found []int
	for at := s.later.slot([]byte(number)); s.later.table[at] != 0; at = (at + 1) % len(s.later.table) {
		i := int(s.later.table[at]) - 1
		if i <= s.at {
			continue
		}
		if b, _ := s.log.orderNumber(&s.log.recs[i]); string(b) == number {
			found = append(found, i)
		}
	}
	slices.Sort(found)
	for _, i := range found {
		if !fn(&s.log.recs[i]) {
			return
		}
	}
}
