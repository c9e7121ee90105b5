package main

import (
	"github.com/schollz/progressbar/v3"
)

// The number of steps from which work is worth a bar: of adding up, and of recording, where each fact is signed.
const (
	longWork   = 200_000
	longRecord = 5_000
)

// progress returns a function that draws a bar for long adding up, where somebody watches a terminal; else nil.
func (m *Main) progress(what string) func(done, of int) { return m.bar(what, longWork) }

// bar is progress for work of at least that many steps.
func (m *Main) bar(what string, least int) func(done, of int) {
	if !m.ErrTerminal {
		return nil
	}
	var bar *progressbar.ProgressBar
	return func(done, of int) {
		if of < least {
			return
		}
		if bar == nil {
			bar = progressbar.NewOptions(of,
				progressbar.OptionSetWriter(m.Stderr),
				progressbar.OptionSetDescription(what),
				progressbar.OptionSetWidth(20),
				progressbar.OptionClearOnFinish(),
				progressbar.OptionShowCount())
		}
		_ = bar.Set(done) // a bar that can't be drawn is no reason to stop
	}
}
