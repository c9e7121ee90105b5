package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"countback/ledger/key"
	"countback/ledger/store"
	"countback/sync/handover"
	"countback/sync/replicate"
)

func (m *Main) handoverCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "handover FILE",
		Short: "Write the whole ledger as one file, without keys",
		Long: `Write the whole ledger into one new file: all logs, what waits or stands aside, and the newest receipts. Another device of this shop takes it in with
"countback import handover", and a new desk starts from it with "countback init --from" if this one is lost. It holds no key: whoever has it can read everything, and
record nothing. What brings this very desk back, with its key, is "countback backup".`,
		Example: "  countback handover /media/stick/fennimoor.handover",
		Args:    cobra.ExactArgs(1),
	}
	cmd.ValidArgsFunction = byPlace(files)
	cmd.RunE = m.reading(func(d *desk, args []string) error {
		k, err := readKey(d.dir)
		if err != nil {
			return err
		}
		var n int64
		err = writeNew(args[0], func(w io.Writer) (err error) {
			n, err = handover.Write(d.ctx, w, d.store, handover.Head{Shop: d.shopID, Name: d.shop.Name, Device: k.Device(), Made: d.now().Format(time.RFC3339)}, nil)
			return err
		})
		if err != nil {
			return err
		}
		if m.format == formatTable {
			return m.say("%s: %s, and no key.", args[0], count(int(n), "event", "events"))
		}
		g := &grid{columns: []column{{name: "file"}, {name: "events"}}}
		g.add(plain(args[0]), plain(fmtInt(n)))
		return m.report(struct {
			File   string `json:"file"`
			Events int64  `json:"events"`
		}{args[0], n}, "", g, "")
	})
	return cmd
}

func (m *Main) importHandoverCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "handover FILE",
		Short: "Take in the hand-over file of another device of this shop",
		Long: `Take in what another device of this shop has written with "countback handover": the events that this ledger lacks. Each goes through the same check as one that comes
over the bus, and what is here already stays as it is, so a file can be taken in twice.`,
		Example: "  countback import handover /media/stick/fennimoor.handover",
		Args:    cobra.ExactArgs(1),
	}
	cmd.ValidArgsFunction = byPlace(files)
	cmd.RunE = m.writing(func(d *desk, args []string) (err error) {
		release, err := takeLock(d.dir) // a running serve keeps in memory what stands in the ledger's notes
		if errors.Is(err, errLocked) {
			return &fault{what: "countback serve runs on this ledger", where: d.dir, hint: "stop it, take the file in, and start it again", status: statusUse, err: err}
		}
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, release()) }()
		head, err := checkHandover(args[0])
		if err != nil {
			return err
		}
		if head.Shop != d.shopID {
			return wrong(args[0], "use the folder of that shop with --data; nothing was taken in", "the file is of another shop, %s", head.Name)
		}
		in, err := m.intake(d.ctx, d.store, d.key, d.shopID)
		if err != nil {
			return err
		}
		if err := in.file(args[0]); err != nil {
			return err
		}
		return m.tellIntake(args[0], in)
	})
	return cmd
}

// notAHandover is the error for a file that isn't whole or isn't one.
func notAHandover(path string, err error) error {
	if !errors.Is(err, handover.ErrFile) {
		return err
	}
	return &fault{what: err.Error(), where: path, hint: "write it anew with countback handover; nothing was taken in", status: statusUse, err: err}
}

// checkHandover reads a file to its end, so that nothing of one that isn't whole is taken in.
func checkHandover(path string) (handover.Head, error) {
	f, err := os.Open(path)
	if err != nil {
		return handover.Head{}, err
	}
	defer f.Close()
	head, _, err := handover.Check(f)
	return head, notAHandover(path, err)
}

// intake takes in what others have recorded, through the machine that the bus's messages go through as well.
type intake struct {
	m       *Main
	ctx     context.Context
	store   store.Store
	machine *replicate.Machine
	before  int64
	reports []string // what a person should know
	failed  error    // of the store
}

func (m *Main) intake(ctx context.Context, s store.Store, k *key.Key, shop string) (*intake, error) {
	machine, err := replicate.New(ctx, replicate.Config{Store: s, Key: k, Shop: shop, Desk: true, Build: m.Build})
	if err != nil {
		return nil, err
	}
	n, err := events(ctx, s)
	return &intake{m: m, ctx: ctx, store: s, machine: machine, before: n}, err
}

// events counts the events of a store.
func events(ctx context.Context, s store.Store) (n int64, err error) {
	heads, err := s.Heads(ctx)
	for _, h := range heads {
		n += h.Seq
	}
	return n, err
}

// part takes in a part of a hand-over file.
func (in *intake) part(p handover.Part) error {
	for _, o := range in.machine.Step(in.m.Now(), replicate.File{Lines: p.Lines, Receipts: p.Receipts}) {
		r, ok := o.(replicate.Report)
		switch {
		case !ok:
		case r.What == replicate.StoreFails:
			in.failed = r.Err
		case !slices.Contains(in.reports, r.Text()):
			in.reports = append(in.reports, r.Text())
		}
	}
	if in.failed == nil {
		in.failed = in.ctx.Err()
	}
	return in.failed
}

// file takes in a file that was checked.
func (in *intake) file(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	r, err := handover.New(f)
	if err != nil {
		return notAHandover(path, err)
	}
	for {
		p, err := r.Next()
		if err != nil {
			return notAHandover(path, err)
		}
		if err := in.part(p); err != nil || p.Done {
			return err
		}
	}
}

// download takes in the parts of a file that comes over the network. What comes before the file turns out not to be whole has passed the check of chain.
func (in *intake) download(shop string) func(handover.Head, handover.Part) error {
	return func(head handover.Head, p handover.Part) error {
		if head.Shop != shop {
			return fmt.Errorf("%w (it is of another shop)", handover.ErrFile)
		}
		return in.part(p)
	}
}

func (m *Main) tellIntake(from string, in *intake) error {
	after, err := events(in.ctx, in.store)
	if err != nil {
		return err
	}
	waiting, err := replicate.Waiting(in.ctx, in.store)
	if err != nil {
		return err
	}
	out := struct {
		File    string   `json:"file"`
		Events  int64    `json:"events"`
		New     int64    `json:"new"`
		Waiting int      `json:"waiting"`
		Reports []string `json:"reports"`
	}{from, after, after - in.before, len(waiting), append([]string{}, in.reports...)}
	if m.format != formatTable {
		g := &grid{columns: []column{{name: "file"}, {name: "events"}, {name: "new"}, {name: "waiting"}}}
		g.add(plain(from), plain(fmtInt(after)), plain(fmtInt(out.New)), plain(fmt.Sprint(out.Waiting)))
		return m.report(out, "", g, "")
	}
	lead := fmt.Sprintf("%s: %s, %s in the ledger now.", from, count(int(out.New), "new event", "new events"), grouped(fmtInt(after)))
	if out.Waiting > 0 {
		lead += " " + count(out.Waiting, "event waits", "events wait") + " for others that come before, or for the device to be admitted (countback devices)."
	}
	tail := ""
	for _, r := range out.Reports {
		tail = join2(tail, visible(r))
	}
	return m.printTable(lead, nil, tail)
}
