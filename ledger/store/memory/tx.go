package memory

import (
	"bytes"

	"countback/ledger/event"
	"countback/ledger/store"
)

// tx reads what is stored and what it adds itself. The base isn't locked: only a Write changes it, and this is the only one.
type tx struct {
	base *data
	add  data
	cuts []place // where logs were cut
}

func (t *tx) row(n int64) store.Row {
	if base := int64(len(t.base.rows)); n > base {
		return t.add.rows[n-base-1].Row
	}
	return t.base.rows[n-1].Row
}

// Head implements store.Tx.
func (t *tx) Head(device string) (store.Head, error) {
	if h, ok := t.add.heads[device]; ok {
		return h, nil
	}
	if h, ok := t.base.heads[device]; ok {
		return h, nil
	}
	return store.EmptyHead, nil
}

// Has implements store.Tx.
func (t *tx) Has(id event.ID) (bool, error) {
	return len(t.base.ids[id])+len(t.add.ids[id]) > 0, nil
}

// ByID implements store.Tx.
func (t *tx) ByID(id event.ID) ([]store.Row, error) {
	var out []store.Row
	for _, d := range []*data{t.base, &t.add} {
		for _, n := range d.ids[id] {
			out = append(out, clone(t.row(n)))
		}
	}
	return out, nil
}

// Last implements store.Tx.
func (t *tx) Last() (int64, error) { return int64(len(t.base.rows) + len(t.add.rows)), nil }

func (t *tx) place(device string, seq int64) int64 {
	log := t.base.logs[device]
	if seq <= int64(len(log)) {
		return log[seq-1]
	}
	return t.add.logs[device][seq-1-int64(len(log))]
}

// At implements store.Looker.
func (t *tx) At(device string, seq int64) (store.Row, error) {
	if head, _ := t.Head(device); seq < 1 || seq > head.Seq {
		return store.Row{}, store.NoEvent(device, seq)
	}
	return clone(t.row(t.place(device, seq))), nil
}

// Insert implements store.Tx.
func (t *tx) Insert(e *event.Event) (int64, error) {
	head, _ := t.Head(e.Device)
	verdict, err := store.CheckPlace(e, head, func(seq int64) ([]byte, error) { return t.row(t.place(e.Device, seq)).Line, nil })
	if err != nil {
		return 0, err
	}
	if verdict == store.Held {
		return t.place(e.Device, e.Seq), nil
	}
	last, _ := t.Last()
	n := last + 1
	line := bytes.Clone(e.Line)
	t.add.rows = append(t.add.rows, entry{store.Row{N: n, Line: line}, e.Kind, e.Time.Ms(), e.ID})
	t.add.logs[e.Device] = append(t.add.logs[e.Device], n)
	t.add.heads[e.Device] = store.Head{Seq: e.Seq, Hash: event.HashLine(line)}
	if !e.ID.IsZero() {
		if has, _ := t.Has(e.ID); has {
			t.add.doubled[e.ID] = true
		}
		t.add.ids[e.ID] = append(t.add.ids[e.ID], n)
	}
	if order := store.OrderOf(e); order != "" {
		t.add.orders[order] = append(t.add.orders[order], n)
	}
	return n, nil
}
