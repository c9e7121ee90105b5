package main

import (
	"bytes"
	"compress/zlib"
	"encoding/json"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	qr "github.com/piglig/go-qr"

	"countback/cmd/countback/paper"
)

const (
	dots   = 10 // of a picture in a millimetre
	points = 72 / 25.4
)

var inked = regexp.MustCompile(`(?m)^([0-9.]+) ([0-9.]+) ([0-9.]+) (-[0-9.]+) re f$`)

// printed draws the filled rectangles of each page of a document (ISO 32000-1, 8.5.2): the codes, without the words.
func printed(t *testing.T, doc []byte, width, height float64) []*image.Gray {
	t.Helper()
	var pages []*image.Gray
	for part := range bytes.SplitSeq(doc, []byte("endstream")) {
		_, stream, ok := bytes.Cut(part, []byte("stream\n"))
		r, err := zlib.NewReader(bytes.NewReader(stream))
		if !ok || err != nil {
			continue
		}
		text, err := io.ReadAll(r)
		if err != nil || !bytes.Contains(text, []byte(" re f")) {
			continue
		}
		img := image.NewGray(image.Rect(0, 0, int(width*dots), int(height*dots)))
		draw.Draw(img, img.Bounds(), image.White, image.Point{}, draw.Src)
		for _, m := range inked.FindAllSubmatch(text, -1) {
			var x, y, w, h float64
			if _, err := fmt.Sscan(string(bytes.Join(m[1:], []byte(" "))), &x, &y, &w, &h); err != nil {
				t.Fatal(err)
			}
			mm := func(v float64) int { return int(v/points*dots + 0.5) }
			top := mm(height*points - y)
			draw.Draw(img, image.Rect(mm(x), top, mm(x+w), top+mm(-h)), image.NewUniform(color.Black), image.Point{}, draw.Src)
		}
		pages = append(pages, img)
	}
	return pages
}

// Every sheet of labels that is offered: each label's code, cut out where the label lies, opens the recorder at its item.
func TestLabelsCanBeScanned(t *testing.T) {
	b := newBench(t)
	b.must("init", "--shop", "Fennimoor Paper", "--currency", "CAD", "--zone", "America/Halifax")
	b.must("item", "cord", "--name", "Cotton cord, natural", "--type", "supply", "--unit", "mm", "--place", "cart 2")
	b.must("item", "heron/ö", "--name", "Art print, grey heron at the weir, limited edition of two hundred", "--type", "good", "--unit", "each", "--place", "cart 10")
	b.must("item", "old", "--name", "Old", "--type", "good", "--unit", "each")
	b.must("retire", "old")
	var r struct {
		Address string
		Labels  []struct{ Item, Name, Place, Link string }
	}
	if err := json.Unmarshal([]byte(b.must("labels", "--copies", "3", "--json")), &r); err != nil {
		t.Fatal(err)
	}
	if len(r.Labels) != 6 || r.Labels[0].Item != "cord" || r.Labels[5].Link != r.Address+"/#item/heron%2F%C3%B6" {
		t.Fatalf("%+v", r)
	}
	sizes := map[string][2]float64{"A4": {210, 297}, "Letter": {215.9, 279.4}}
	for _, s := range paper.LabelSheets {
		skip := s.Across*s.Down - 2 // the sheet was begun: two on this one, the rest on the next
		file := filepath.Join(b.dir, s.Name+".pdf")
		b.must("labels", "--copies", "3", "--size", s.Name, "--start", fmt.Sprint(skip+1), "--pdf", file)
		doc, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		pages := printed(t, doc, sizes[s.Paper][0], sizes[s.Paper][1])
		if len(pages) != 2 {
			t.Fatalf("%s: %d sheets", s.Name, len(pages))
		}
		for i, label := range r.Labels {
			at := (skip + i) % (s.Across * s.Down)
			x, y := s.Left+float64(at%s.Across)*s.StepX, s.Top+float64(at/s.Across)*s.StepY
			cell := pages[(skip+i)/(s.Across*s.Down)].SubImage(image.Rect(int(x*dots), int(y*dots), int((x+s.Width)*dots), int((y+s.Height)*dots)))
			alone := image.NewGray(image.Rect(0, 0, cell.Bounds().Dx()+80, cell.Bounds().Dy()+80))
			draw.Draw(alone, alone.Bounds(), image.White, image.Point{}, draw.Src)
			draw.Draw(alone, cell.Bounds().Sub(cell.Bounds().Min).Add(image.Pt(40, 40)), cell, cell.Bounds().Min, draw.Src)
			if got, err := qr.Decode(alone); err != nil || got != label.Link {
				t.Errorf("%s, label %d: %q, %v; want %q", s.Name, i, got, err, label.Link)
			}
		}
	}
}

func TestLabelsThatCant(t *testing.T) {
	b := newBench(t)
	b.must("init", "--shop", "Fennimoor Paper", "--currency", "CAD", "--zone", "America/Halifax")
	b.must("item", "cord", "--name", "Cotton cord", "--type", "supply", "--unit", "mm", "--place", "cart 2")
	for _, c := range []struct{ args, words string }{
		{"--size 1x1", "choose 70x37"},
		{"--sheet A4:3x8:70x37", "doesn't describe"},
		{"--sheet A5:3x8:70x37:0,0.5:70,37", "isn't a paper size"},
		{"--sheet A4:3x9:70x37:0,0.5:70,37", "don't fit on A4"},
		{"--sheet A4:3x8:70x37:0,0.5:60,37", "overlap"},
		{"--sheet A4:9x20:10x10:0,0:20,14", "too small"},
		{"--sheet A4:1e3x8:70x37:0,0:70,37", "doesn't describe"},
		{"--sheet A4:2.5x8:70x37:0,0:70,37", "doesn't describe"},
		{"--start 0", "isn't a label"},
		{"--start 25", "from 1 to 24"},
		{"--copies 0", "from 1 to 100"},
		{"--place attic", "nothing lies at"},
		{"--door http://desk", "isn't the address"},
		{"--door https://desk/path", "isn't the address"},
		{"card", "there is no item"},
	} {
		if o := b.run(append([]string{"labels"}, strings.Fields(c.args)...)...); o.status != statusUse || !strings.Contains(o.errors, c.words) {
			t.Errorf("%s: %d %s", c.args, o.status, o.errors)
		}
	}
	if out := b.must("labels", "--door", "https://192.168.1.4:8743", "--format", "csv"); !strings.Contains(out, "https://192.168.1.4:8743/#item/cord") {
		t.Error(out)
	}
	if out := b.must("labels", "--sheet", "A4:2x4:105x74:0,0:105,74.25", "--pdf", "-"); !strings.HasPrefix(out, "%PDF-1.") {
		t.Error("this is no PDF")
	}
}
