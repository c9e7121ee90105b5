package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"

	"countback/cmd/countback/agenda"
	"countback/projections/fold"
	"countback/projections/reorder"
)

// writeCalendar writes the days to order and to count into a file for a calendar.
func (d *desk) writeCalendar(log *fold.Log, r *reorder.Report, file string, asOf int64) error {
	text, n, err := agenda.Calendar(log, r, agenda.Shop{Name: d.shop.Name, ID: d.shopID}, asOf, d.style())
	if err != nil {
		return err
	}
	if file == "-" {
		_, err := d.m.Stdout.Write(text)
		return err
	}
	if err := replaceOwn(file, text); err != nil {
		return err
	}
	return d.m.say("%s\n", d.m.wrapAll(fmt.Sprintf("%s in %s.", count(n, "day to order or count is", "days to order or count are"), fileName(file))))
}

// replaceOwn writes a file, in the place of one that this program wrote before.
func replaceOwn(file string, text []byte) error {
	write := func(w io.Writer) error {
		_, err := w.Write(text)
		return err
	}
	old, err := os.ReadFile(file)
	if errors.Is(err, os.ErrNotExist) {
		return writeNew(file, write)
	}
	if err != nil {
		return err
	}
	if !slices.ContainsFunc(strings.Split(string(old), "\r\n"), func(l string) bool { return l == "PRODID:"+agenda.Product }) {
		return wrong(file, "choose another name; nothing was overwritten", "it is there already and isn't a calendar of this program")
	}
	fresh := file + ".new"
	if err := os.Remove(fresh); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	if err := writeNew(fresh, write); err != nil {
		return err
	}
	return os.Rename(fresh, file)
}
