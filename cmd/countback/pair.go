package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"countback/ledger/chain"
	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/record"
	"countback/ledger/store/memory"
	"countback/sync/nearby"
	"countback/sync/pair"
)

// pairing is what the command pair was asked for.
type pairing struct {
	join    string
	listen  string
	bare    bool
	address string
	device  string
	input   *bufio.Reader // of digits, made at the first
}

func (m *Main) pairCmd() *cobra.Command {
	var p pairing
	cmd := &cobra.Command{
		Use:   "pair",
		Short: "Let a phone or a second desk join",
		Long: `Let a device join the shop. At the keeper's desk "countback pair" shows a code, as a link and as a picture to scan; it is good for ten minutes and one device. The other
device then shows six digits. Type them here: they say that it is that device, and nobody in between.

A phone scans the code and needs "countback serve" to run at the desk. A second desk joins with "countback pair --join CODE" in an empty folder, CODE being the whole link in
quotation marks. Where serve doesn't run, the command opens the door for a second desk itself, for as long as the code is good.

In the folder of a desk that belongs to the shop already, --join says where another desk is found from now on, and uses no code up.

On a desk that was made from a hand-over file (countback init --from) the same command asks a device that is left to make this desk the keeper. There "countback pair --join
CODE" asks for the digits.

With --json it prints one object when the code is made, and one at the end.`,
		Example: "  countback pair\n  countback pair --join \"https://countback-k3v7qa.local:8743/#pair/…\" --data attic",
		Args:    cobra.NoArgs,
	}
	cmd.ValidArgsFunction = nothingMore
	flags := cmd.Flags()
	flags.StringVar(&p.join, "join", "", "the `code` that the other desk shows: the whole link")
	flags.StringVar(&p.listen, "listen", ":"+doorPort, "`address` of the door where serve doesn't run")
	flags.BoolVar(&p.bare, "bare", false, "where serve doesn't run: name this machine's address in the code, which may be another one tomorrow, and not its stable name")
	flags.StringVar(&p.address, "address", "", "with --join: `host:port` of the desk, where the name in the code isn't found")
	flags.StringVar(&p.device, "device", "desk", "`name` of this desk, where it joins")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if err := event.Check(&event.Shop{Name: p.device}); err != nil || p.device == "" {
			return wrong("--device", "give a short name, such as attic", "%q is no name for a desk", p.device)
		}
		if p.join == "" {
			return m.writing(func(d *desk, _ []string) error { return m.showCode(d, &p) })(cmd, args)
		}
		link, err := pair.ParseLink(p.join)
		if err != nil {
			return inPlace("--join", "", err)
		}
		if link.Recover {
			return m.writing(func(d *desk, _ []string) error { return m.survive(d, &p, link) })(cmd, args)
		}
		if dir, err := m.folder(); err != nil {
			return err
		} else if _, err := os.Lstat(ledgerPath(dir)); err == nil {
			return m.writing(func(d *desk, _ []string) error { return m.goTo(d, &p, link) })(cmd, args)
		}
		return m.joinShop(cmd.Context(), &p, link)
	}
	return cmd
}

// pairFault puts an error of pairing where it belongs: the network is the machine's fault.
func pairFault(where string, err error) error {
	f := explain(err)
	if errors.Is(err, pair.ErrReach) || errors.Is(err, pair.ErrDesk) || errors.Is(err, pair.ErrBusy) {
		f.status = statusMachine
	}
	return inPlace(where, "", f)
}

// showCode opens a pairing at this desk and sees it through.
func (m *Main) showCode(d *desk, p *pairing) error {
	heads, err := d.store.Heads(d.ctx)
	if err != nil {
		return err
	}
	back := heads[d.key.Device()].Seq == 0
	me := d.pairing(d.key)
	door, err := m.doorFor(d, p, me)
	if err != nil {
		return err
	}
	defer door.close()
	code, err := me.Open(d.ctx, back)
	if err != nil {
		return pairFault("", err)
	}
	defer func() { _ = me.Close(context.WithoutCancel(d.ctx), code) }() // it ends by itself in ten minutes
	link := pair.Link{Base: door.link, Code: code, Pin: door.pin, Recover: back}
	if err := m.showLink(d, link, door, d.now().Add(pair.Lasts)); err != nil {
		return err
	}
	if back {
		return m.askRecovery(d, p, me, code)
	}
	return m.admitDevice(d, p, me, code, door)
}

// openDoors is the door of a pairing: that of a running serve, or one of the command's own.
type openDoors struct {
	link string
	pin  string
	hex  string // the whole fingerprint
	own  *doorway
	sent chan string // devices that have loaded the ledger through the own door
	text string      // where the authority can be had, "" for nowhere
}

func (o *openDoors) close() {
	if o.own != nil {
		o.own.close()
	}
}

func (m *Main) doorFor(d *desk, p *pairing, me *pair.Desk) (*openDoors, error) {
	a, err := m.openAuthority(d.dir, d.key.Device(), d.shop.Name)
	if err != nil {
		return nil, err
	}
	o := &openDoors{pin: a.Pin(), hex: a.Fingerprint(), sent: make(chan string, 1)}
	announced, ok, err := pair.Door(d.ctx, d.store)
	if err != nil {
		return nil, err
	}
	if ok && announced.Pin == a.Pin() && announced.Answers(d.ctx, m.Now) {
		o.link, o.text = announced.Base, announced.Trust
		return o, nil
	}
	doors := &pair.Doors{Desk: me, Own: d.key.Device(), Sent: func(device string) {
		select {
		case o.sent <- device:
		default:
		}
	}}
	if o.own, err = openDoor(p.listen, "--listen", m.certificates(a).Config(), doors.Handler()); err != nil {
		return nil, err
	}
	if !p.bare {
		o.own.call(a.Name())
	}
	o.link = o.own.base()
	return o, nil
}

// showLink shows the code. It is the one place where a code is printed.
func (m *Main) showLink(d *desk, link pair.Link, door *openDoors, until time.Time) error {
	if m.format != formatTable {
		g := &grid{columns: []column{{name: "link"}, {name: "until"}, {name: "fingerprint"}}}
		g.add(plain(link.Text()), plain(until.Format(time.RFC3339)), plain(door.hex))
		return m.report(struct {
			Link        string `json:"link"`
			Until       string `json:"until"`
			Fingerprint string `json:"fingerprint"`
			Serving     bool   `json:"serving"`
		}{link.Text(), until.Format(time.RFC3339), door.hex, door.own == nil}, "", g, "")
	}
	picture := ""
	if m.Terminal && (door.own == nil || link.Recover) {
		var err error
		if picture, err = m.qrText(link.Text()); err != nil {
			return err
		}
	}
	lead := "Scan this code with the phone, or give it to a second desk: countback pair --join \"CODE\"."
	switch {
	case link.Recover:
		lead = "This desk has no log yet. Scan this code with a device that is left, or give it to another desk: countback pair --join \"CODE\"."
	case door.own != nil:
		lead = "Give this code to a second desk: countback pair --join \"CODE\". (For a phone, start countback serve first: it isn't running.)"
	}
	tail := "It is good until " + until.Format("15:04") + ", for one device. Ctrl-C ends it."
	if base, err := url.Parse(link.Base); err == nil && strings.HasSuffix(base.Hostname(), nearby.Suffix) {
		tail += "\nA desk that doesn't find " + base.Hostname() + " adds --address " + reachable(":"+base.Port()) + "."
	}
	if door.text != "" && !link.Recover {
		tail += "\nA phone that doesn't know this desk yet opens " + door.text + " first. The fingerprint that it shows must be\n" + door.hex
	}
	return m.printTable(m.wrapAll(lead), nil, link.Text()+"\n\n"+picture+tail)
}

// until waits for a pairing to come to a phase, or to end.
func (m *Main) until(ctx context.Context, me *pair.Desk, code pair.Code, phase pair.Phase) (pair.View, error) {
	for {
		v, err := me.View(ctx, code)
		if errors.Is(err, pair.ErrCode) {
			return v, wrong("pair", "go on there", "another code was made at this desk meanwhile, which ended this one")
		}
		if err != nil {
			return v, err
		}
		switch v.Phase {
		case phase, pair.Decided:
			return v, nil
		case pair.Ended:
			return v, wrong("pair", "make a new one with countback pair", "the code has ended, and nobody was admitted")
		}
		if err := wait(ctx, lookEvery); err != nil {
			return v, err
		}
	}
}

const lookEvery = 250 * time.Millisecond

// admitDevice asks for the digits of whoever brings the code.
func (m *Main) admitDevice(d *desk, p *pairing, me *pair.Desk, code pair.Code, door *openDoors) error {
	v, err := m.until(d.ctx, me, code, pair.Agreed)
	if err != nil {
		return err
	}
	who := fmt.Sprintf("The %s %q", v.Role, visible(v.Name))
	if v.Role == "desk" {
		who = fmt.Sprintf("A second desk, %q,", visible(v.Name))
	}
	for {
		typed, err := m.askDigits(d.ctx, p, who+" wants to join. Six digits that it shows: ")
		if err != nil {
			return err
		}
		err = me.Confirm(d.ctx, code, typed, d.key)
		if err == nil {
			break
		}
		if v, e := me.View(d.ctx, code); !errors.Is(err, pair.ErrDigits) || e != nil || v.Phase != pair.Agreed {
			return pairFault("pair", err)
		}
		fmt.Fprintln(m.Stderr, "countback: "+oneLine(err.Error()))
	}
	if err := m.untilMember(d, v.Device, door); err != nil {
		return err
	}
	return m.tellPaired(v.Device, v.Name, v.Role, fmt.Sprintf("%s belongs to %s now.", strings.TrimSuffix(who, ","), d.shop.Name))
}

// untilMember waits for the first event of a device that was endorsed, and where the door is the command's own, until it has loaded the ledger.
func (m *Main) untilMember(d *desk, device string, door *openDoors) error {
	ctx, cancel := context.WithTimeout(d.ctx, pair.Lasts)
	defer cancel()
	for {
		heads, err := d.store.Heads(d.ctx)
		if err != nil {
			return err
		}
		if heads[device].Seq > 0 {
			break
		}
		if err := wait(ctx, lookEvery); err != nil {
			return &fault{what: "the digits were right, but the device hasn't come back since", where: "pair", hint: "start countback pair again, for the same device", status: statusMachine, err: err}
		}
	}
	if door.own == nil {
		return nil
	}
	select {
	case <-door.sent:
	case <-ctx.Done():
	}
	return d.ctx.Err()
}

// askRecovery waits for a device that is left to make this desk the keeper, and begins this desk's log.
func (m *Main) askRecovery(d *desk, p *pairing, me *pair.Desk, code pair.Code) error {
	v, err := m.until(d.ctx, me, code, pair.Agreed)
	if err != nil {
		return err
	}
	if v.Phase == pair.Agreed {
		fmt.Fprintf(m.Stderr, "Type these digits at %q: %s\n", visible(v.Name), spaced(v.Digits))
		if v, err = m.until(d.ctx, me, code, pair.Decided); err != nil {
			return err
		}
	}
	const role = "desk"
	device := event.Device{Key: d.key.Public(), Name: p.device, Role: role, By: v.By, Endorsement: v.Endorsement, Succeeds: v.Succeeds}
	if err := record.Join(d.ctx, d.store, d.key, m.Now, m.Entropy, d.shopID, device, event.TimeOf(d.now())); err != nil {
		return err
	}
	return m.tellPaired(d.key.Device(), p.device, role, fmt.Sprintf("This desk is the keeper of %s now. If the old desk may be in other hands, revoke it: countback revoke %s", d.shop.Name, v.Succeeds))
}

// survive makes a new desk the keeper, from a device that is left.
func (m *Main) survive(d *desk, p *pairing, link pair.Link) error {
	members, err := chain.Load(d.ctx, d.store, d.shopID)
	if err != nil {
		return err
	}
	own, ok := members.Get(d.key.Device())
	keeper, _ := members.Get(members.Keeper())
	switch {
	case !ok || own.Revoked:
		return pairFault("pair", pair.ErrMember)
	case keeper.Device == own.Device:
		return wrong("pair", "admit the new desk from here instead: countback pair here, countback pair --join CODE there, in an empty folder", "this desk is the keeper, so it isn't lost")
	}
	c := m.client(link, p)
	defer c.Close()
	meet, err := c.Meet(d.ctx, link.Code, d.key, own.Name, own.Role)
	if err != nil {
		return pairFault("pair", err)
	}
	if meet.Shop != d.shopID {
		return wrong("pair", "use the folder of that shop with --data", "the other desk is of another shop, %s", visible(meet.ShopName))
	}
	fmt.Fprintf(m.Stderr, "This makes a new desk the keeper of %s, in the place of %q (%s). Do it only if that one is lost.\n", d.shop.Name, visible(keeper.Name), keeper.Device)
	for left := 1; ; left-- {
		typed, err := m.askDigits(d.ctx, p, "Six digits that the new desk shows: ")
		if err != nil {
			return errors.Join(err, meet.Refuse(context.WithoutCancel(d.ctx)))
		}
		if typed == meet.Digits() {
			break
		}
		if left == 0 {
			_ = meet.Refuse(d.ctx) // what counts is that nothing is signed
			return pairFault("pair", fmt.Errorf("%w; wrong twice ends the code", pair.ErrDigits))
		}
		fmt.Fprintf(m.Stderr, "countback: %v; look again, once more is allowed\n", pair.ErrDigits)
	}
	if err := meet.Recover(d.ctx, d.key, keeper.Device); err != nil {
		return pairFault("pair", err)
	}
	if err := pair.KeepPeer(d.ctx, d.store, pair.Peer{Device: meet.Desk, Base: link.Base, Pin: link.Pin, At: p.address}); err != nil {
		return err
	}
	if err := pair.ForgetPeer(d.ctx, d.store, keeper.Device); err != nil {
		return err
	}
	return m.tellPaired(meet.Desk, "desk", "desk", fmt.Sprintf("The new desk (%s) is the keeper of %s now; what it records says so here as soon as both are in step.", meet.Desk, d.shop.Name))
}

// goTo lets a desk that is a member go to the bus of another one: a new keeper, or the same one at another address.
func (m *Main) goTo(d *desk, p *pairing, link pair.Link) error {
	c := m.client(link, p)
	defer c.Close()
	shop, device, err := c.Desk(d.ctx, link.Code)
	if err != nil {
		return pairFault("pair", err)
	}
	switch {
	case shop != d.shopID:
		return wrong(d.dir, "name an empty folder with --data to join that shop", "the ledger here is of another shop, %s", d.shop.Name)
	case device == d.key.Device():
		return wrong("pair", "use the code at another desk", "the code is this desk's own")
	}
	if err := pair.KeepPeer(d.ctx, d.store, pair.Peer{Device: device, Base: link.Base, Pin: link.Pin, At: p.address}); err != nil {
		return err
	}
	return m.tellPaired(device, "", "desk", fmt.Sprintf("This desk belongs to %s already. From now on it also goes to the desk %s, at %s.", d.shop.Name, device, link.Base))
}

// joinShop makes a second desk in an empty folder.
func (m *Main) joinShop(ctx context.Context, p *pairing, link pair.Link) error {
	const role = "desk"
	dir, err := m.folder()
	if err != nil {
		return err
	}
	k, err := key.Generate(m.Entropy)
	if err != nil {
		return &fault{what: err.Error(), status: statusMachine, err: err}
	}
	c := m.client(link, p)
	defer c.Close()
	shop := ""
	// The folder is made first: one that isn't empty must not cost the code.
	n, err := m.makeLedger(ctx, dir, k, func() (string, func(*intake) error, error) {
		meet, err := c.Meet(ctx, link.Code, k, p.device, role)
		if err != nil {
			return "", nil, err
		}
		shop = meet.ShopName
		fmt.Fprintf(m.Stderr, "Type these digits at the desk of %s: %s\n", visible(meet.ShopName), spaced(meet.Digits()))
		device, err := meet.Endorsement(ctx, p.device, role)
		if err != nil {
			return "", nil, err
		}
		line, err := m.firstLine(ctx, k, meet.Shop, device) // it comes back with the ledger
		if err != nil {
			return "", nil, err
		}
		if err := c.Admit(ctx, line); err != nil {
			return "", nil, err
		}
		return meet.Shop, func(in *intake) error {
			if err := c.Download(ctx, k, in.download(meet.Shop)); err != nil {
				return err
			}
			return pair.KeepPeer(ctx, in.store, pair.Peer{Device: meet.Desk, Base: link.Base, Pin: link.Pin, At: p.address})
		}, nil
	})
	if err != nil {
		return pairFault("pair", err)
	}
	return m.tellPaired(k.Device(), p.device, role, fmt.Sprintf("This desk belongs to %s now. Its ledger is in %s, with %s.\nNext: countback serve keeps it in step with the other desk.",
		visible(shop), dir, count(int(n), "event", "events")))
}

// firstLine signs the first event of a log that isn't here yet.
func (m *Main) firstLine(ctx context.Context, k *key.Key, shop string, device event.Device) ([]byte, error) {
	st := memory.New()
	if err := record.Join(ctx, st, k, m.Now, m.Entropy, shop, device, event.TimeOf(m.Now())); err != nil {
		return nil, err
	}
	row, err := st.At(ctx, k.Device(), 1)
	return row.Line, err
}

func (m *Main) client(link pair.Link, p *pairing) *pair.Client {
	return pair.NewClient(link.Base, link.Pin, p.address, m.Now, wait, m.Entropy)
}

func spaced(digits string) string {
	if len(digits) != 6 {
		return digits
	}
	return digits[:3] + " " + digits[3:]
}

// askDigits asks for six digits until something was typed.
func (m *Main) askDigits(ctx context.Context, p *pairing, question string) (string, error) {
	if p.input == nil {
		p.input = bufio.NewReader(m.Stdin)
	}
	type line struct {
		text string
		err  error
	}
	for {
		fmt.Fprint(m.Stderr, question)
		read := make(chan line, 1)
		go func() {
			text, _, err := p.input.ReadLine() // a longer line than its buffer comes in parts, each of which is wrong
			read <- line{string(text), err}
		}()
		select {
		case <-ctx.Done():
			return "", ctx.Err()
		case l := <-read:
			if typed := pair.Typed(l.text); typed != "" {
				return typed, nil
			}
			if l.err != nil {
				return "", wrong("pair", "start it again, in a terminal", "no digits were typed")
			}
		}
	}
}

func (m *Main) tellPaired(device, name, role, text string) error {
	if m.format == formatTable {
		return m.printTable(m.wrapAll(text), nil, "")
	}
	g := &grid{columns: []column{{name: "device"}, {name: "name"}, {name: "role"}}}
	g.add(plain(device), plain(name), plain(role))
	return m.report(struct {
		Device string `json:"device"`
		Name   string `json:"name"`
		Role   string `json:"role"`
	}{device, name, role}, "", g, "")
}
