package main

import (
	"fmt"
	"strings"
	"testing"
)

// A file of many facts shows how far it is, to somebody who watches and to nobody else; the bar never reaches the standard output.
func TestRecordingABigFileShowsItsProgress(t *testing.T) {
	facts := func(n int) string {
		var text strings.Builder
		for i := range n {
			fmt.Fprintf(&text, `{"kind":"damage","time":"2026-02-%02dT10:00:00-04:00","data":{"item":"board","qty":"1","reason":"sample"}}`+"\n", i%28+1)
		}
		return text.String()
	}
	rows := func(n int) string {
		text := strings.Builder{}
		text.WriteString("item,place,counted\n")
		for i := range n {
			fmt.Fprintf(&text, "board,drawer %d,%d\n", i, i%7)
		}
		return text.String()
	}
	for _, c := range []struct {
		name     string
		args     []string
		text     string
		terminal bool
		bar      bool
	}{
		{"facts, watched", []string{"record"}, facts(longRecord), true, true},
		{"facts, nobody watches", []string{"record"}, facts(longRecord), false, false},
		{"few facts", []string{"record"}, facts(10), true, false},
		{"counts, watched", []string{"import", "counts"}, rows(longRecord), true, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t).shop()
			b.setUp = func(m *Main) { m.ErrTerminal = c.terminal }
			o := b.run(append(c.args, b.file("big", c.text))...)
			if o.status != 0 || strings.Contains(o.errors, "Recording") != c.bar || strings.Contains(o.out, "Recording") {
				t.Errorf("status %d, errors %.300q", o.status, o.errors)
			}
		})
	}
}
