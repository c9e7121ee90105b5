package main

import (
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"countback/ledger/catalog"
	"countback/ledger/event"
	"countback/projections/fold"
)

type completion = func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective)

// choices completes from a fixed list.
func choices(list ...string) completion {
	return func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
		return list, cobra.ShellCompDirectiveNoFileComp
	}
}

// files leaves completion to the shell.
func files(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
	return nil, cobra.ShellCompDirectiveDefault
}

// nothingMore completes nothing.
func nothingMore(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
	return nil, cobra.ShellCompDirectiveNoFileComp
}

// byPlace completes the first argument with the first function, and so on.
func byPlace(list ...completion) completion {
	return func(cmd *cobra.Command, args []string, to string) ([]string, cobra.ShellCompDirective) {
		if len(args) < len(list) {
			return list[len(args)](cmd, args, to)
		}
		return nothingMore(cmd, args, to)
	}
}

// itemIDs completes the ids of items that are in the lists.
func (m *Main) itemIDs(cmd *cobra.Command, _ []string, to string) ([]string, cobra.ShellCompDirective) {
	return m.complete(cmd, to, func(d *desk) []string {
		var list []string
		for _, it := range d.catalog.Items {
			if !d.view.Retired(it.Index) {
				list = append(list, it.ID+"\t"+d.view.Def(it.Index).Name)
			}
		}
		return list
	})
}

// itemPairs completes ITEM= in pairs.
func (m *Main) itemPairs(cmd *cobra.Command, args []string, to string) ([]string, cobra.ShellCompDirective) {
	list, directive := m.itemIDs(cmd, args, to)
	for i := range list {
		id, _, _ := strings.Cut(list[i], "\t")
		list[i] = id + "="
	}
	return list, directive | cobra.ShellCompDirectiveNoSpace
}

// forms completes the packs or measures of the item that is the first argument.
func (m *Main) forms(packs, measures bool) completion {
	return func(cmd *cobra.Command, args []string, to string) ([]string, cobra.ShellCompDirective) {
		return m.complete(cmd, to, func(d *desk) []string {
			it, ok := d.catalog.Find(args[0])
			if !ok {
				return nil
			}
			return formsOf(d.view.Def(it.Index), packs, measures)
		})
	}
}

func formsOf(def *catalog.Def, packs, measures bool) (list []string) {
	for name := range def.Packs {
		if packs {
			list = append(list, name)
		}
	}
	for name := range def.Measures {
		if measures {
			list = append(list, name)
		}
	}
	return list
}

// orderNumbers completes the orders, or those that are still open.
func (m *Main) orderNumbers(open bool) completion {
	return func(cmd *cobra.Command, _ []string, to string) ([]string, cobra.ShellCompDirective) {
		return m.complete(cmd, to, func(d *desk) []string {
			log, err := d.log(0)
			if err != nil {
				return nil
			}
			var list []string
			for number, o := range log.Run(fold.Run{}).Orders {
				if !open || len(o.Remaining()) > 0 {
					list = append(list, number)
				}
			}
			return list
		})
	}
}

// eventIDs completes the ids of events of some kinds, with what they are.
func (m *Main) eventIDs(kinds ...event.Kind) completion {
	return func(cmd *cobra.Command, _ []string, to string) ([]string, cobra.ShellCompDirective) {
		return m.complete(cmd, to, func(d *desk) []string {
			list, err := scan(d.ctx, d.store, kinds)
			if err != nil {
				return nil
			}
			var out []string
			for _, e := range list {
				out = append(out, e.ID.String()+"\t"+string(e.Kind)+" "+e.Time.String())
			}
			return out
		})
	}
}

// complete asks the ledger; a ledger that can't be opened completes nothing.
func (m *Main) complete(cmd *cobra.Command, to string, list func(*desk) []string) ([]string, cobra.ShellCompDirective) {
	d, err := m.openDesk(cmd.Context())
	if err != nil {
		return nil, cobra.ShellCompDirectiveNoFileComp
	}
	defer d.store.Close()
	var out []string
	for _, s := range list(d) {
		if strings.HasPrefix(s, to) {
			out = append(out, s)
		}
	}
	slices.Sort(out)
	return out, cobra.ShellCompDirectiveNoFileComp
}
