package main

import (
	"github.com/schollz/progressbar/v3"
)

// longWork is the number of steps from which work is worth a bar.
const longWork = 200_000

// progress returns a function that draws a bar for long work, where somebody watches a terminal; else nil.
func (m *Main) progress(what string) func(done, of int) {
	if !m.ErrTerminal {
		return nil
	}
	var bar *progressbar.ProgressBar
	return func(done, of int) {
		if of < longWork {
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
