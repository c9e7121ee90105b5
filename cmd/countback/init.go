package main

import (
	"context"
	"errors"
	"strings"

	"github.com/spf13/cobra"

	"countback/ledger/currency"
	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/near"
	"countback/ledger/store/sqlite"
)

// founding is what a new ledger asks for.
type founding struct {
	shop, currency, zone, costing, device string
}

func (m *Main) initCmd() *cobra.Command {
	var f founding
	var from string
	cmd := &cobra.Command{
		Use:   "init --shop NAME --currency CODE --zone ZONE",
		Short: "Start a ledger in an empty folder",
		Long: `Start a ledger. Currency and time zone hold for good; the name and the costing can be changed later.
Costing is the weighted average, or first in, first out (fifo).

With --from it starts from the hand-over file of another device of the shop instead, after the desk was lost.`,
		Example: `  countback init --shop "Fennimoor Paper" --currency CAD --zone America/Halifax
  countback init --from /media/stick/fennimoor.handover`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			dir, err := m.folder()
			if err != nil {
				return err
			}
			if from != "" {
				return m.initFrom(cmd, dir, from)
			}
			if err := f.check(); err != nil {
				return err
			}
			device, err := m.found(cmd.Context(), dir, f)
			if err != nil {
				return err
			}
			return m.tellInit(dir, device, f)
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&f.shop, "shop", "", "`name` of the shop")
	flags.StringVar(&f.currency, "currency", "", "`code` of its currency (ISO 4217), like CAD")
	flags.StringVar(&f.zone, "zone", "", "its time `zone` (IANA), like America/Halifax")
	flags.StringVar(&f.costing, "costing", "average", "average or fifo")
	flags.StringVar(&from, "from", "", "hand-over `file` of another device of the shop")
	flags.StringVar(&f.device, "device", "desk", "`name` of this desk")
	complete(cmd, "currency", choices(currency.Codes()...))
	complete(cmd, "costing", choices("average", "fifo"))
	cmd.ValidArgsFunction = nothingMore
	return cmd
}

func complete(cmd *cobra.Command, flag string, with completion) {
	if err := cmd.RegisterFlagCompletionFunc(flag, with); err != nil {
		panic(err) // the flag's name is misspelt in this program
	}
}

// check refuses what would make a shop that nobody can work with.
func (f founding) check() error {
	for _, v := range []struct{ flag, value, example string }{
		{"--shop", f.shop, `--shop "Fennimoor Paper"`}, {"--currency", f.currency, "--currency CAD"}, {"--zone", f.zone, "--zone America/Halifax"},
	} {
		if v.value == "" {
			return wrong(v.flag, "add "+v.example, "it is missing; a ledger needs name, currency and time zone")
		}
	}
	if err := event.Check(&event.Shop{Name: f.shop, Currency: f.currency, Zone: f.zone, Costing: f.costing}); err != nil {
		var field *event.FieldError
		if errors.As(err, &field) {
			field.Field = map[string]string{"name": "--shop", "currency": "--currency", "zone": "--zone", "costing": "--costing"}[field.Field]
		}
		return inPlace("", "no ledger was started", err)
	}
	if _, ok := currency.Digits(f.currency); !ok {
		hint := "give the three letters of ISO 4217, like CAD"
		if alike := near.Names(f.currency, currency.Codes()); len(alike) > 0 {
			hint += " (near it: " + strings.Join(alike, ", ") + ")"
		}
		return wrong("--currency", hint, "%q is not a currency known here", f.currency)
	}
	if _, err := loadZone(f.zone); err != nil {
		e := explain(err)
		e.where = "--zone"
		return e
	}
	return nil
}

// found makes folder, key and ledger. What it made is taken away again if it fails.
func (m *Main) found(ctx context.Context, dir string, f founding) (device string, err error) {
	if err := makeFolder(dir); err != nil {
		return "", err
	}
	defer func() {
		if err != nil {
			clearFolder(dir)
		}
	}()
	k, err := key.Generate(m.Entropy)
	if err != nil {
		return "", &fault{what: err.Error(), status: statusMachine, err: err}
	}
	if err := writeKey(dir, k); err != nil {
		return "", err
	}
	s, err := sqlite.Create(ledgerPath(dir))
	if err != nil {
		return "", err
	}
	err = m.foundShop(ctx, s, k, f)
	return k.Device(), errors.Join(err, s.Close())
}

func (m *Main) tellInit(dir, device string, f founding) error {
	if m.format == formatTable {
		return m.printTable("The ledger of "+f.shop+" is in "+dir+".", nil,
			"Next: define what you sell and use (countback item, countback import catalog), then how it is packed (countback packspec).\n"+
				"Keep a copy elsewhere: countback backup FILE.")
	}
	g := &grid{columns: []column{{name: "shop"}, {name: "device"}, {name: "folder"}}}
	g.add(plain(f.shop), plain(device), plain(dir))
	return m.report(struct {
		Shop   string `json:"shop"`
		Device string `json:"device"`
		Folder string `json:"folder"`
	}{f.shop, device, dir}, "", g, "")
}
