// Package handover is the whole ledger as one file, for a new desk, for a replica that is far behind, and for the day on which the desk is lost. It holds all logs, what
// stands aside, what waits, and the newest receipts; no key, no code, no note of this replica's own.
//
// A file is text under gzip (RFC 1952), one line each:
//
//	{"format":"countback-handover-v1","shop":…,"name":…,"device":…,"made":…}
//	EVENT                       events as they are stored, in order of arrival, then those aside, then those that wait
//	{"receipt":"…"}             receipts, newest of each device
//	{"place":"…"}               at most one: up to where a bus's stream is in the events before (package replicate, Machine.Place)
//	{"end":{"events":…,"receipts":…,"sha256":…}}
//
// The last line counts the events and receipts; its sum is the SHA-256, in hexadecimal, of all bytes before it. So a file that was cut short or changed on its way is
// noticed as a whole, before anything of it is believed. That says nothing about who made it: each event and receipt vouches for
// itself, and goes through the check of chain like anything from a bus.
//
// Reader hands events over in parts as it reads, so that a ledger of any size fits; whoever takes them in must either be able to undo that or know that events which
// pass the check of chain do no harm. Check reads a file to its end first.
package handover

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"slices"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"countback/ledger/event"
	"countback/ledger/store"
	"countback/sync/replicate"
)

// Format is the first member of a file's first line.
const Format = "countback-handover-v1"

// ErrFile is wrapped by every error about a file that isn't whole or isn't one.
var ErrFile = errors.New("it isn't a whole hand-over file of countback")

// Limits of what is read.
const (
	maxLine   = 2 << 20 // a receipt of some thousand logs, in JSON
	MaxEvents = 50_000_000
	maxHeld   = 10_000
)

// Head is a file's first line.
type Head struct {
	Format string `json:"format"`
	Shop   string `json:"shop"`   // shop id
	Name   string `json:"name"`   // of the shop
	Device string `json:"device"` // who made the file
	Made   string `json:"made"`   // RFC 3339
}

type end struct {
	Events   int64  `json:"events"`
	Receipts int64  `json:"receipts"`
	SHA256   string `json:"sha256"`
}

type receiptLine struct {
	Receipt string `json:"receipt"`
}

type placeLine struct {
	Place string `json:"place"`
}

type endLine struct {
	End end `json:"end"`
}

// writer counts and sums what it writes.
type writer struct {
	to  *bufio.Writer
	sum hash.Hash
	end end
}

func (w *writer) line(b []byte) error {
	for _, part := range [][]byte{b, []byte("\n")} {
		w.sum.Write(part)
		if _, err := w.to.Write(part); err != nil {
			return err
		}
	}
	return nil
}

func (w *writer) json(v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("write a hand-over file: %w", err)
	}
	return w.line(b)
}

// Write writes the ledger as a file and returns the number of events. place is what Machine.Place said before the call, nil for a file that a person carries.
func Write(ctx context.Context, to io.Writer, st store.Store, head Head, place []byte) (int64, error) {
	zip := gzip.NewWriter(to)
	w := &writer{to: bufio.NewWriter(zip), sum: sha256.New()}
	if err := w.all(ctx, st, head, place); err != nil {
		return 0, err
	}
	return w.end.Events, errors.Join(w.to.Flush(), zip.Close())
}

func (w *writer) all(ctx context.Context, st store.Store, head Head, place []byte) error {
	head.Format = Format
	if err := w.json(head); err != nil {
		return err
	}
	if err := st.Scan(ctx, 0, func(r store.Row) error {
		w.end.Events++
		return w.line(r.Line)
	}); err != nil {
		return err
	}
	for _, list := range []func(context.Context, store.Store) ([]replicate.Kept, error){replicate.Aside, replicate.Waiting} {
		kept, err := list(ctx, st)
		if err != nil {
			return err
		}
		for _, k := range kept {
			w.end.Events++
			if err := w.line(k.Line); err != nil {
				return err
			}
		}
	}
	receipts, err := replicate.Receipts(ctx, st)
	if err != nil {
		return err
	}
	for _, r := range receipts {
		w.end.Receipts++
		if err := w.json(receiptLine{string(r.Body())}); err != nil {
			return err
		}
	}
	if place != nil {
		if err := w.json(placeLine{string(place)}); err != nil {
			return err
		}
	}
	w.end.SHA256 = hex.EncodeToString(w.sum.Sum(nil))
	return w.json(endLine{w.end})
}

// Part is some of what a file holds.
type Part struct {
	Lines    [][]byte
	Receipts [][]byte
	Place    []byte // with the last part, nil if the file says none
	Done     bool   // this was the last part, and the file is whole
}

// Reader reads a file.
type Reader struct {
	zip   *gzip.Reader
	in    *bufio.Reader
	sum   hash.Hash
	got   end
	head  Head
	place []byte
	done  bool
	err   error
}

func bad(what string, args ...any) error {
	return fmt.Errorf("%w (%s)", ErrFile, fmt.Sprintf(what, args...))
}

// New reads a file's first line.
func New(from io.Reader) (*Reader, error) {
	zip, err := gzip.NewReader(from)
	if err != nil {
		return nil, bad("%v", err)
	}
	zip.Multistream(false)
	r := &Reader{zip: zip, in: bufio.NewReaderSize(zip, 1<<16), sum: sha256.New()}
	line, err := r.line()
	if err != nil {
		return nil, err
	}
	if err := json.Unmarshal(line, &r.head); err != nil {
		return nil, bad("its first line can't be read")
	}
	if r.head.Format != Format {
		return nil, bad("it is of format %q", r.head.Format)
	}
	r.sum.Write(append(line, '\n'))
	return r, nil
}

// Head returns the file's first line.
func (r *Reader) Head() Head { return r.head }

// line reads one line, without its end; it isn't summed yet.
func (r *Reader) line() ([]byte, error) {
	var line []byte
	for {
		part, err := r.in.ReadSlice('\n')
		line = append(line, part...)
		switch {
		case len(line) > maxLine:
			return nil, bad("a line is too long")
		case err == nil:
			return line[:len(line)-1], nil
		case errors.Is(err, bufio.ErrBufferFull):
		case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
			return nil, bad("it ends too early")
		default:
			return nil, bad("%v", err)
		}
	}
}

var (
	receiptStart = []byte(`{"receipt":`)
	placeStart   = []byte(`{"place":`)
	endStart     = []byte(`{"end":`)
)

// Next reads about 4 MiB and at most 5,000 events. After the part that says Done, and after an error, it returns io.EOF or the error again.
func (r *Reader) Next() (p Part, err error) {
	const (
		most      = 5000
		mostBytes = 4 << 20
	)
	if r.err != nil {
		return Part{}, r.err
	}
	if r.done {
		return Part{}, io.EOF
	}
	for n := 0; len(p.Lines) < most && n < mostBytes && !r.done; {
		line, err := r.line()
		if err == nil {
			n += len(line)
			err = r.take(&p, line)
		}
		if err != nil {
			r.err = err
			return Part{}, err
		}
	}
	if r.done {
		p.Place, p.Done = r.place, true
	}
	return p, nil
}

func (r *Reader) take(p *Part, line []byte) error {
	strict := json.JoinOptions(json.RejectUnknownMembers(true), jsontext.AllowDuplicateNames(false))
	switch {
	case bytes.HasPrefix(line, endStart):
		return r.finish(line, strict)
	case r.place != nil:
		return bad("something stands behind its place")
	case bytes.HasPrefix(line, placeStart):
		var l placeLine
		if err := json.Unmarshal(line, &l, strict); err != nil {
			return bad("its place can't be read")
		}
		r.place = []byte(l.Place)
	case bytes.HasPrefix(line, receiptStart):
		var l receiptLine
		if err := json.Unmarshal(line, &l, strict); err != nil {
			return bad("receipt %d can't be read", r.got.Receipts+1)
		}
		if r.got.Receipts++; r.got.Receipts > maxHeld {
			return bad("it holds too many receipts")
		}
		p.Receipts = append(p.Receipts, []byte(l.Receipt))
	case r.got.Receipts > 0:
		return bad("something else stands among its receipts")
	default:
		if r.got.Events++; r.got.Events > MaxEvents {
			return bad("it holds too many events")
		}
		if len(line) > event.MaxLine {
			return bad("event %d is too long", r.got.Events)
		}
		p.Lines = append(p.Lines, slices.Clip(line))
	}
	r.sum.Write(append(line, '\n'))
	return nil
}

// finish compares what was read with the last line, and reads to the end of the file, where gzip's own checksum stands.
func (r *Reader) finish(line []byte, strict json.Options) error {
	var l endLine
	if err := json.Unmarshal(line, &l, strict); err != nil {
		return bad("its last line can't be read")
	}
	r.got.SHA256 = hex.EncodeToString(r.sum.Sum(nil))
	if l.End.Events != r.got.Events || l.End.Receipts != r.got.Receipts {
		return bad("it holds %d of %d events and %d of %d receipts", r.got.Events, l.End.Events, r.got.Receipts, l.End.Receipts)
	}
	if l.End.SHA256 != r.got.SHA256 {
		return bad("it was changed; its sum isn't that of its last line")
	}
	if _, err := r.in.ReadByte(); !errors.Is(err, io.EOF) {
		if err == nil {
			return bad("something stands behind its end")
		}
		return bad("%v", err)
	}
	r.done = true
	return nil
}

// Check reads a file to its end and returns its head and the number of events. Nothing of it is judged but that it is whole.
func Check(from io.Reader) (Head, int64, error) {
	r, err := New(from)
	if err != nil {
		return Head{}, 0, err
	}
	for {
		p, err := r.Next()
		if err != nil {
			return Head{}, 0, err
		}
		if p.Done {
			return r.head, r.got.Events, nil
		}
	}
}
