package drivertest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"countback/ledger/store"
	"countback/ledger/store/memory"
	"countback/ledger/store/storetest"
	"countback/sync/replicate"
)

// Conn is one device's driver, connected to a bus under the name "bus".
type Conn interface {
	// Do carries out an output: Fetch, Publish, Look, Keep. It doesn't wait for the answer.
	Do(replicate.Output)
	// Next returns the next input from the bus. It waits at most d.
	Next(d time.Duration) (replicate.Input, bool)
	// Close ends the driver.
	Close()
}

// Bus is a transport under test. What a transport can't do, or doesn't promise, is nil or false, and its tests are passed over.
type Bus struct {
	Connect func(device *storetest.Log, desk bool) Conn // as a member of the shop Shop; the first input is Up
	Wait    time.Duration                               // how long an answer may take
	Batches bool                                        // it takes atomic batches of at least 10
	Rights  bool                                        // it refuses publishing on the subjects of others
	Cut     func(Conn)                                  // breaks a device's connection; the driver finds back by itself
	Wipe    func()                                      // makes the bus anew, empty; all connections break
	Now     time.Time                                   // the bus's clock, as far as it has one of its own
}

// Shop is the founder of the shop whose subjects are used.
func Shop() *storetest.Log { return storetest.NewLog(1, "") }

// Run checks every promise on buses that open makes, each empty.
func Run(t *testing.T, open func(t *testing.T) *Bus) {
	for _, c := range []struct {
		name string
		test func(*suite)
	}{
		{"an empty stream", (*suite).empty},
		{"messages come as they were sent", (*suite).roundTrip},
		{"a fetch answers with what is right behind", (*suite).pages},
		{"a fetch waits", (*suite).waits},
		{"a later fetch takes an earlier one's place", (*suite).later},
		{"the expected last message", (*suite).expected},
		{"the same bytes twice are two messages", (*suite).twice},
		{"a batch is all or none", (*suite).batch},
		{"a message that is too large", (*suite).large},
		{"the newest receipt of each device", (*suite).receipts},
		{"the subjects of others", (*suite).rights},
		{"a broken connection", (*suite).cut},
		{"a bus made anew", (*suite).wipe},
		{"two machines come to hold the same", (*suite).machines},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := open(t)
			if b.Wait == 0 {
				b.Wait = 10 * time.Second
			}
			s := &suite{T: t, Bus: b, desk: Shop()}
			s.phone = storetest.NewLog(2, s.desk.Shop)
			c.test(s)
		})
	}
}

type suite struct {
	*testing.T
	*Bus
	desk, phone *storetest.Log
	op          int64
}

// on is a device that is connected.
type on struct {
	s      *suite
	c      Conn
	device string
	up     replicate.Up
	held   []replicate.Held
	other  []replicate.Input // what came while something else was waited for
}

func (s *suite) connect(l *storetest.Log, desk bool) *on {
	s.Helper()
	o := &on{s: s, c: s.Connect(l, desk), device: l.Key.Device()}
	s.Cleanup(o.c.Close)
	o.waitUp()
	return o
}

func (o *on) waitUp() {
	o.s.Helper()
	up, ok := await[replicate.Up](o, o.s.Wait)
	if !ok {
		o.s.Fatal("no Up has come")
	}
	if up.Bus != "bus" || up.Created == 0 {
		o.s.Errorf("%+v", up)
	}
	o.up = up
}

// await waits for an input of a type. Receipts are kept, everything else that comes first too.
func await[T replicate.Input](o *on, d time.Duration) (T, bool) {
	for i, in := range o.other {
		if got, ok := in.(T); ok {
			o.other = slices.Delete(o.other, i, i+1)
			return got, true
		}
	}
	var none T
	for {
		in, ok := o.c.Next(d)
		if !ok {
			return none, false
		}
		if got, ok := in.(T); ok {
			return got, true
		}
		if h, ok := in.(replicate.Held); ok {
			o.held = append(o.held, h)
			continue
		}
		o.other = append(o.other, in)
	}
}

func (s *suite) next() int64 { s.op++; return s.op }

func (s *suite) subject(sort string, l *storetest.Log) string {
	return replicate.Subject(s.desk.Shop, sort, l.Key.Device())
}

// publish publishes and returns the answer. last is the expected last sequence, -1 for none.
func (o *on) publish(subject string, last int, bodies ...string) (uint64, error) {
	o.s.Helper()
	p := replicate.Publish{Bus: "bus", Op: o.s.next(), Subject: subject, Expected: last >= 0, Last: uint64(max(last, 0))}
	for _, b := range bodies {
		p.Bodies = append(p.Bodies, []byte(b))
	}
	o.c.Do(p)
	for {
		a, ok := await[replicate.Published](o, o.s.Wait)
		if !ok {
			o.s.Fatalf("%s: no answer has come", subject)
		}
		if a.Op == p.Op {
			return a.Seq, a.Err
		}
	}
}

func (o *on) mustPublish(subject string, last int, bodies ...string) uint64 {
	o.s.Helper()
	seq, err := o.publish(subject, last, bodies...)
	if err != nil {
		o.s.Fatalf("%s: %v", subject, err)
	}
	return seq
}

func (o *on) ask(after uint64, most int) int64 {
	op := o.s.next()
	o.c.Do(replicate.Fetch{Bus: "bus", Op: op, After: after, Max: most})
	return op
}

// fetch fetches until it has n messages behind a sequence.
func (o *on) fetch(after uint64, n, most int) (out []replicate.Message) {
	o.s.Helper()
	for len(out) < n {
		op := o.ask(after, most)
		a, ok := await[replicate.Messages](o, o.s.Wait)
		if !ok || a.Op != op || len(a.List) == 0 || len(a.List) > most {
			o.s.Fatalf("behind %d: %v, %d messages, op %d for %d", after, ok, len(a.List), a.Op, op)
		}
		for _, msg := range a.List {
			if msg.Seq != after+1 {
				o.s.Fatalf("message %d comes behind %d", msg.Seq, after)
			}
			after++
			out = append(out, msg)
		}
	}
	return out
}

func (o *on) look(subject string) *replicate.Message {
	o.s.Helper()
	op := o.s.next()
	o.c.Do(replicate.Look{Bus: "bus", Op: op, Subject: subject})
	a, ok := await[replicate.Found](o, o.s.Wait)
	if !ok || a.Op != op || a.Err != nil {
		o.s.Fatalf("%s: %v %+v", subject, ok, a)
	}
	return a.Message
}

func (s *suite) empty() {
	d := s.connect(s.desk, true)
	if d.up.Last != 0 || d.look(s.subject("log", s.desk)) != nil {
		s.Errorf("%+v", d.up)
	}
}

func (s *suite) roundTrip() {
	d, p := s.connect(s.desk, true), s.connect(s.phone, false)
	texts := []string{`{"a":1}`, "", "\x00\xff\r\n", string(bytes.Repeat([]byte("ü"), 30_000))}
	last := 0
	for _, text := range texts {
		last = int(d.mustPublish(s.subject("log", s.desk), last, text))
	}
	p.mustPublish(s.subject("carry", s.phone), 0, "carried")
	for _, o := range []*on{d, p} {
		list := o.fetch(0, 5, 100)
		for i, msg := range list {
			want, subject := "carried", s.subject("carry", s.phone)
			if i < 4 {
				want, subject = texts[i], s.subject("log", s.desk)
			}
			if string(msg.Body) != want || msg.Subject != subject || msg.Stored == 0 || i > 0 && msg.Stored < list[i-1].Stored {
				s.Errorf("message %d: %d bytes on %s, stored %d", msg.Seq, len(msg.Body), msg.Subject, msg.Stored)
			}
		}
	}
	if msg := p.look(s.subject("carry", s.phone)); msg == nil || msg.Seq != 5 || string(msg.Body) != "carried" {
		s.Errorf("the last message is %+v", msg)
	}
}

func (s *suite) pages() {
	d := s.connect(s.desk, true)
	last := 0
	for i := range 23 {
		last = int(d.mustPublish(s.subject("log", s.desk), last, fmt.Sprint(i)))
	}
	for _, after := range []uint64{0, 5, 22, 21, 3, 0} { // and back again
		for i, msg := range d.fetch(after, 23-int(after), 7) {
			if string(msg.Body) != fmt.Sprint(int(after)+i) {
				s.Errorf("behind %d: %q", after, msg.Body)
			}
		}
		d.c.Do(replicate.Keep{Bus: "bus", Seq: after})
	}
}

func (s *suite) waits() {
	d, p := s.connect(s.desk, true), s.connect(s.phone, false)
	op := p.ask(0, 10)
	if a, ok := await[replicate.Messages](p, 50*time.Millisecond); ok {
		s.Fatalf("an empty stream was fetched: %+v", a)
	}
	d.mustPublish(s.subject("log", s.desk), 0, "now")
	a, ok := await[replicate.Messages](p, s.Wait)
	if !ok || a.Op != op || len(a.List) != 1 || string(a.List[0].Body) != "now" {
		s.Errorf("%v %+v", ok, a)
	}
}

func (s *suite) later() {
	d, p := s.connect(s.desk, true), s.connect(s.phone, false)
	d.mustPublish(s.subject("log", s.desk), 0, "one")
	p.ask(1, 10)
	op := p.ask(0, 10)
	a, ok := await[replicate.Messages](p, s.Wait)
	for ok && a.Op != op {
		a, ok = await[replicate.Messages](p, s.Wait)
	}
	if !ok || len(a.List) != 1 {
		s.Errorf("%v %+v", ok, a)
	}
}

func (s *suite) expected() {
	d, p := s.connect(s.desk, true), s.connect(s.phone, false)
	log := s.subject("log", s.desk)
	first := int(d.mustPublish(log, 0, "one"))
	p.mustPublish(s.subject("log", s.phone), 0, "other") // of another subject: no matter
	for _, wrong := range []int{0, first + 1, 999} {
		if seq, err := d.publish(log, wrong, "never"); !errors.Is(err, replicate.ErrWrongLast) {
			s.Errorf("expecting %d instead of %d: stored at %d, %v", wrong, first, seq, err)
		}
	}
	second := d.mustPublish(log, first, "two")
	if msg := d.look(log); msg == nil || msg.Seq != second || string(msg.Body) != "two" {
		s.Errorf("the last message is %+v", msg)
	}
	if got := d.fetch(0, 3, 10); len(got) != 3 {
		s.Errorf("%d messages", len(got))
	}
}

func (s *suite) twice() {
	d := s.connect(s.desk, true)
	log := s.subject("log", s.desk)
	first := d.mustPublish(log, 0, "same")
	if second := d.mustPublish(log, int(first), "same"); second != first+1 {
		s.Errorf("stored at %d and %d", first, second)
	}
}

func (s *suite) batch() {
	if !s.Batches {
		s.Skip("it takes no batches")
	}
	d := s.connect(s.desk, true)
	log := s.subject("log", s.desk)
	if d.up.Batch < 10 {
		s.Errorf("batches of %d", d.up.Batch)
	}
	last := d.mustPublish(log, 0, "a", "b", "c")
	if last != 3 {
		s.Errorf("the last of three stands at %d", last)
	}
	if _, err := d.publish(log, 1, "x", "y"); !errors.Is(err, replicate.ErrWrongLast) {
		s.Errorf("%v", err)
	}
	if last = d.mustPublish(log, 3, "d", "e", "f", "g", "h", "i", "j"); last != 10 {
		s.Errorf("the last of ten stands at %d", last)
	}
	text := ""
	for _, msg := range d.fetch(0, 10, 100) {
		text += string(msg.Body)
	}
	if text != "abcdefghij" {
		s.Error(text)
	}
}

func (s *suite) large() {
	d := s.connect(s.desk, true)
	log := s.subject("log", s.desk)
	if _, err := d.publish(log, 0, string(make([]byte, 100<<20))); err == nil {
		s.Error("100 MiB were taken")
	}
	if d.look(log) != nil {
		s.Error("something of it was stored")
	}
	d.mustPublish(log, 0, "small")
}

func (s *suite) receipts() {
	d, p := s.connect(s.desk, true), s.connect(s.phone, false)
	d.mustPublish(s.subject("held", s.desk), -1, "desk 1")
	d.mustPublish(s.subject("held", s.desk), -1, "desk 2")
	p.mustPublish(s.subject("held", s.phone), -1, "phone 1")
	p.wantHeld(s.desk.Key.Device(), "desk 2")
	d.wantHeld(s.phone.Key.Device(), "phone 1")
	third := storetest.NewLog(3, s.desk.Shop)
	o := s.connect(third, false) // who comes later gets the newest of each
	o.wantHeld(s.desk.Key.Device(), "desk 2")
	o.wantHeld(s.phone.Key.Device(), "phone 1")
	if d.look(s.subject("log", s.desk)) != nil {
		s.Error("receipts stand in the log stream")
	}
}

// wantHeld waits until the newest receipt of a device is as wanted.
func (o *on) wantHeld(device, body string) {
	o.s.Helper()
	for {
		for _, h := range o.held {
			if h.Device == device && string(h.Body) == body {
				return
			}
		}
		h, ok := await[replicate.Held](o, o.s.Wait)
		if !ok {
			o.s.Fatalf("receipt %q of device %s hasn't come", body, device)
		}
		o.held = append(o.held, h)
	}
}

func (s *suite) rights() {
	if !s.Rights {
		s.Skip("it has no rights")
	}
	d, p := s.connect(s.desk, true), s.connect(s.phone, false)
	for _, sort := range []string{"log", "carry", "held"} {
		if seq, err := p.publish(s.subject(sort, s.desk), -1, "forged"); err == nil {
			s.Errorf("a phone published on %s of the desk, at %d", sort, seq)
		}
	}
	p.mustPublish(s.subject("log", s.phone), 0, "own")
	d.mustPublish(s.subject("log", s.phone), 1, "a desk fills in")
}

func (s *suite) cut() {
	if s.Cut == nil {
		s.Skip("its connections don't break")
	}
	d := s.connect(s.desk, true)
	log := s.subject("log", s.desk)
	d.mustPublish(log, 0, "one")
	created := d.up.Created
	d.ask(1, 10)
	s.Cut(d.c)
	if _, ok := await[replicate.Down](d, s.Wait); !ok {
		s.Fatal("no Down has come")
	}
	d.waitUp()
	if d.up.Created != created || d.up.Last != 1 {
		s.Errorf("%+v", d.up)
	}
	d.mustPublish(log, 1, "two")
	if got := d.fetch(1, 1, 10); string(got[0].Body) != "two" {
		s.Errorf("%+v", got)
	}
}

func (s *suite) wipe() {
	if s.Wipe == nil {
		s.Skip("it can't be made anew")
	}
	d := s.connect(s.desk, true)
	d.mustPublish(s.subject("log", s.desk), 0, "one")
	created := d.up.Created
	s.Wipe()
	if _, ok := await[replicate.Down](d, s.Wait); !ok {
		s.Fatal("no Down has come")
	}
	d.waitUp()
	if d.up.Created == created || d.up.Last != 0 {
		s.Errorf("it was created at %d; now %+v", created, d.up)
	}
	d.mustPublish(s.subject("log", s.desk), 0, "again")
}

// machines lets two machines replicate over their drivers.
func (s *suite) machines() {
	type side struct {
		o  *on
		m  *replicate.Machine
		st *memory.Store
	}
	deskLog := storetest.Some(s.desk, 40)
	phoneFirst := s.phone.Next(s.phone.Device(s.desk, "phone"))
	var sides []*side
	for i, l := range []*storetest.Log{s.desk, s.phone} {
		x := &side{st: memory.New()}
		if i == 0 {
			storetest.Put(s.T, x.st, deskLog...)
		} else {
			storetest.Put(s.T, x.st, phoneFirst, s.phone.Next(storetest.Order("W-1", 1)))
		}
		m, err := replicate.New(context.Background(), replicate.Config{Store: x.st, Key: l.Key, Shop: s.desk.Shop, Desk: i == 0, Build: "1"})
		if err != nil {
			s.Fatal(err)
		}
		x.m, x.o = m, s.connect(l, i == 0)
		sides = append(sides, x)
	}
	now := time.UnixMilli(storetest.Start)
	if !s.Now.IsZero() {
		now = s.Now
	}
	step := func(x *side, in replicate.Input) {
		for _, out := range x.m.Step(now, in) {
			switch o := out.(type) {
			case replicate.Fetch, replicate.Publish, replicate.Look, replicate.Keep:
				x.o.c.Do(out)
			case replicate.Report:
				s.Errorf("reported: %s", o.Text())
			}
		}
	}
	for _, x := range sides {
		step(x, replicate.Changed{})
		step(x, x.o.up)
	}
	for range 4000 {
		now = now.Add(5 * time.Millisecond)
		for _, x := range sides {
			in, ok := x.o.c.Next(5 * time.Millisecond)
			if !ok {
				in = replicate.Tick{}
			}
			step(x, in)
		}
		a, b := ends(s, sides[0].st), ends(s, sides[1].st)
		list, err := sides[0].m.Standings()
		if err != nil {
			s.Fatal(err)
		}
		if a == b && len(list) == 2 && list[0].Safe == list[0].Kept && list[1].Safe == list[1].Kept {
			return
		}
	}
	s.Errorf("they still differ: %s and %s, or aren't safe", ends(s, sides[0].st), ends(s, sides[1].st))
}

func ends(s *suite, st store.Store) string {
	heads, err := st.Heads(context.Background())
	if err != nil {
		s.Fatal(err)
	}
	return fmt.Sprint(heads)
}
