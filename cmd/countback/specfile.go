package main

import (
	"io"
	"os"

	"github.com/spf13/cobra"

	"countback/ledger/event"
)

// readFile reads a whole file, or the standard input where its name is "-", up to a size.
func (m *Main) readFile(path string, most int64) ([]byte, error) {
	in := m.Stdin
	if path != "-" {
		f, err := os.Open(path)
		if err != nil {
			return nil, err
		}
		defer f.Close()
		in = f
	}
	b, err := io.ReadAll(io.LimitReader(in, most+1))
	if err != nil {
		return nil, err
	}
	if int64(len(b)) > most {
		return nil, wrong(fileName(path), "split it", "it has more than %d bytes", most)
	}
	return b, nil
}

func fileName(path string) string {
	if path == "-" {
		return "standard input"
	}
	return path
}

// readData reads a fact's data from a file of JSON.
func (m *Main) readData(path string, kind event.Kind) (event.Data, error) {
	raw, err := m.readFile(path, event.MaxLine)
	if err != nil {
		return nil, err
	}
	data, err := event.DecodeData(kind, raw)
	if err != nil {
		return nil, inPlace(fileName(path), "correct the file; "+nothing, err)
	}
	return data, nil
}

func (m *Main) packspecCmd() *cobra.Command {
	var p posting
	var restates string
	var show bool
	cmd := &cobra.Command{
		Use:   "packspec FILE",
		Short: "Say into which parcels orders go and what that uses",
		Long: `Record a packing spec from a file of JSON: the formats of parcels, and the lines that each order, parcel or unit uses.
It holds from its time on (--at); the first one holds from the beginning. With --restates it takes the place of a spec that was wrong from the start.
--show prints the spec in force, to be changed and recorded again.

A file says, for example, that letters take cards only, up to 3 points, and mailers all else, up to 6; what a letter and a mailer take; that each piece gets
a bag, and that a gift is wrapped:

  {"lines":   [{"item": "bag", "qty": "1", "per": "unit"},
               {"item": "tissue", "qty": "1", "per": "order", "option": "gift"}],
   "formats": [{"format": "letter", "accepts": ["card"], "holds": "3",
                "lines": [{"item": "envelope", "qty": "1", "per": "parcel"}]},
               {"format": "mailer", "holds": "6",
                "lines": [{"item": "mailer", "qty": "1", "per": "parcel"},
                          {"item": "cord", "qty": "1", "measure": "tie", "per": "parcel"}]}]}

What an order takes however it is packed stands in the first lines, per order or unit; what a kind of parcel takes stands with it, per parcel too. A line may
be for some only: "zones": ["home"], "option": a wish, "class" or "good": kinds of goods; "from", "to" and "every": how many pieces.`,
		Example: "  countback packspec packing.json\n  countback packspec --show > packing.json",
		Args:    specArgs(&show, 0),
	}
	cmd.ValidArgsFunction = byPlace(files)
	p.flags(cmd)
	cmd.Flags().StringVar(&restates, "restates", "", "`EVENT` that was wrong from the start and is put right")
	cmd.Flags().BoolVar(&show, "show", false, "print the spec in force")
	complete(cmd, "restates", m.eventIDs(event.KindPackSpec))
	record := m.recording(&p, func(d *desk, args []string) (event.Data, error) {
		p.file = args[0]
		data, err := m.readData(p.file, event.KindPackSpec)
		if err != nil {
			return nil, err
		}
		spec := data.(*event.PackSpec)
		setNote(&spec.Note, p.note)
		return spec, parseID(&spec.Restates, "--restates", restates)
	})
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if !show {
			return record(cmd, args)
		}
		return m.reading(func(d *desk, _ []string) error {
			spec := d.view.Spec()
			if spec == nil {
				return wrong("packspec", "record one with countback packspec FILE", "there is no packing spec yet")
			}
			shown := *spec.Data
			shown.Restates = event.ID{}
			return m.showData(&shown)
		})(cmd, args)
	}
	return cmd
}

func (m *Main) makespecCmd() *cobra.Command {
	var p posting
	var restates string
	var show bool
	cmd := &cobra.Command{
		Use:   "makespec FILE",
		Short: "Say what a print run of an item uses",
		Long: `Record a make spec from a file of JSON: the item, the pieces of one cycle, and the lines that each cycle or piece uses.
It holds from its time on (--at); the first one of an item holds from the beginning. With --restates it takes the place of a spec that was wrong from the start.
--show ITEM prints the spec in force, to be changed and recorded again.

A file says, for example, that four cards come from a sheet, with 1.2 g of ink for each, and that 3 % of them are spoiled as a rule:

  {"item": "fern-card", "pieces": "4", "normal_spoilage": "0.03",
   "lines": [{"item": "card-stock", "qty": "1", "per": "cycle"},
             {"item": "ink", "qty": "1.2", "per": "piece"}]}

A cycle is what is printed at a time, here a sheet. A line may name a measure or a pack of its item.`,
		Example: "  countback makespec card-run.json\n  countback makespec --show fern-card > card-run.json",
		Args:    specArgs(&show, 1),
	}
	cmd.ValidArgsFunction = byPlace(files)
	p.flags(cmd)
	cmd.Flags().StringVar(&restates, "restates", "", "`EVENT` that was wrong from the start and is put right")
	cmd.Flags().BoolVar(&show, "show", false, "print the spec in force of an item")
	complete(cmd, "restates", m.eventIDs(event.KindMakeSpec))
	record := m.recording(&p, func(d *desk, args []string) (event.Data, error) {
		p.file = args[0]
		data, err := m.readData(p.file, event.KindMakeSpec)
		if err != nil {
			return nil, err
		}
		spec := data.(*event.MakeSpec)
		setNote(&spec.Note, p.note)
		return spec, parseID(&spec.Restates, "--restates", restates)
	})
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if !show {
			return record(cmd, args)
		}
		return m.reading(func(d *desk, args []string) error {
			it, err := d.item(args[0])
			if err != nil {
				return err
			}
			spec := d.view.Make(it.Index)
			if spec == nil {
				return wrong("makespec", "record one with countback makespec FILE", "there is no make spec of %s yet", it.ID)
			}
			shown := *spec.Data
			shown.Restates = event.ID{}
			return m.showData(&shown)
		})(cmd, args)
	}
	return cmd
}

// specArgs asks for a file, or with --show for n words.
func specArgs(show *bool, n int) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if *show {
			return cobra.ExactArgs(n)(cmd, args)
		}
		return cobra.ExactArgs(1)(cmd, args)
	}
}

func setNote(to *string, note string) {
	if note != "" {
		*to = note
	}
}

func (m *Main) showData(data event.Data) error {
	b, err := event.EncodeData(data)
	if err != nil {
		return err
	}
	return m.printJSON(rawJSON(b))
}

// rawJSON is JSON that is only laid out anew.
type rawJSON []byte

// MarshalJSON returns the bytes.
func (r rawJSON) MarshalJSON() ([]byte, error) { return r, nil }
