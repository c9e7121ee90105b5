package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"countback/ledger/chain"
	"countback/ledger/event"
	"countback/ledger/store"
)

func (m *Main) revokeCmd() *cobra.Command {
	var reason string
	var last int64
	cmd := &cobra.Command{
		Use:   "revoke DEVICE",
		Short: "End a device's membership",
		Long: `End the membership of a device that was lost or sold. DEVICE is its id, the beginning of it, or its name. From then on it has no way to the bus; what it records is kept and
void, everywhere. What it has recorded so far counts, as far as it is here; --last says that only its events up to that number count, for a device that was in other hands
before. A device that took its place by its key (a restored backup, a copied folder) counts no more either, from its first event on, since whoever has the key can have made it;
revoking that one with --last lets its events up to that number count. Only the keeper's desk can do this, and nothing takes it back: a device that is found again is paired anew.`,
		Example: "  countback revoke pocket --reason \"left on the train\"",
		Args:    cobra.ExactArgs(1),
	}
	cmd.ValidArgsFunction = byPlace(m.deviceIDs)
	cmd.Flags().StringVar(&reason, "reason", "lost", "`text`: why")
	cmd.Flags().Int64Var(&last, "last", 0, "`number` of the last of its events that counts (default: the last that is here)")
	cmd.RunE = m.writing(func(d *desk, args []string) error {
		members, err := chain.Load(d.ctx, d.store, d.shopID)
		if err != nil {
			return err
		}
		b, err := findDevice(members, args[0])
		if err != nil {
			return err
		}
		if err := d.mayRevoke(members, b); err != nil {
			return err
		}
		data := &event.Revoke{} // which event is the last is seen inside the transaction
		result, err := d.recorder().Record(d.ctx, []event.Fact{{Time: event.TimeOf(d.now()), Data: data}}, func(tx store.Tx) error {
			return d.fillRevoke(tx, data, b, last, reason)
		})
		if err != nil {
			return err
		}
		if members, err = chain.Load(d.ctx, d.store, d.shopID); err != nil {
			return err
		}
		return m.tellRevoked(result.IDs[0].String(), b, data, successors(members, b.Device, false), successors(members, b.Device, true))
	})
	return cmd
}

// mayRevoke refuses what would not count.
func (d *desk) mayRevoke(members *chain.Members, b chain.Member) error {
	switch keeper, _ := members.Get(members.Keeper()); {
	case keeper.Device != d.key.Device() && !succeeded(members, d.key.Device(), b.Device):
		return wrong("revoke", "do it there; if that desk is lost, make a new keeper first (countback init --from)", "only the keeper can revoke a device, and that is %q (%s)",
			visible(keeper.Name), keeper.Device)
	case b.Device == d.key.Device():
		return wrong("revoke", "make another desk the keeper first", "the keeper can't revoke itself")
	}
	return nil
}

// succeeded reports whether a device took the place of another, directly or over others in between.
func succeeded(members *chain.Members, device, old string) bool {
	for seen := map[string]bool{}; device != "" && !seen[device]; {
		seen[device] = true
		b, _ := members.Get(device)
		if device = b.Succeeds; device == old {
			return true
		}
	}
	return false
}

// fillRevoke says which event is the last that counts.
func (d *desk) fillRevoke(tx store.Tx, data *event.Revoke, b chain.Member, last int64, reason string) error {
	head, err := tx.Head(b.Device)
	if err != nil {
		return err
	}
	*data = event.Revoke{Device: b.Device, Last: head.Seq, Hash: head.Hash, Reason: reason}
	if last != 0 {
		if last < 1 || last > head.Seq {
			return wrong("--last", "countback history shows its events; "+nothing, "%d is none of its events that are here (1 to %d)", last, head.Seq)
		}
		row, err := d.store.At(d.ctx, b.Device, last)
		if err != nil {
			return err
		}
		data.Last, data.Hash = last, event.HashLine(row.Line)
	}
	unsaid := b.Last == 0 && last != 0 // it counts no more because of another one, and nobody has said yet how far it is good
	if b.Revoked && b.Last <= data.Last && !unsaid {
		return wrong("revoke", nothing, "%q is revoked already, after its event %d", visible(b.Name), b.Last)
	}
	return event.Check(data)
}

// findDevice finds a member by id, the beginning of an id, or name.
func findDevice(members *chain.Members, text string) (chain.Member, error) {
	const least = 4 // characters of an id
	var found []chain.Member
	for _, b := range members.All() {
		if b.Device == text {
			return b, nil
		}
		if b.Name == text || len(text) >= least && strings.HasPrefix(b.Device, text) {
			found = append(found, b)
		}
	}
	switch len(found) {
	case 1:
		return found[0], nil
	case 0:
		return chain.Member{}, wrong("DEVICE", "countback devices lists them", "no device of this shop is called %q", visible(text))
	}
	var ids []string
	for _, b := range found {
		ids = append(ids, b.Device)
	}
	return chain.Member{}, wrong("DEVICE", "give its id", "%q may mean any of %s", visible(text), strings.Join(ids, ", "))
}

// successors returns the devices that took a device's place and aren't revoked, or those of which nothing counts since it was. Whoever had its key can have made
// one.
func successors(members *chain.Members, device string, void bool) []string {
	out := []string{}
	for _, b := range members.All() {
		if b.Revoked == void && b.Last == 0 && succeeded(members, b.Device, device) {
			out = append(out, b.Device)
		}
	}
	return out
}

func (m *Main) tellRevoked(id string, b chain.Member, data *event.Revoke, left, void []string) error {
	if m.format == formatTable {
		text := fmt.Sprintf("%s  %s %q is revoked. Its events up to number %d count.", id, b.Role, visible(b.Name), data.Last)
		if len(left) > 0 {
			text += "\nA device that has taken its place is still a member: " + strings.Join(left, ", ") + ". If it isn't yours, revoke it as well."
		}
		if len(void) > 0 {
			text += "\nA device that has taken its place by its key counts no more either: " + strings.Join(void, ", ") + ".\nIf it is yours: countback revoke " + void[0] +
				" --last NUMBER lets its events up to that number count (countback devices shows how many there are), and countback pair lets that machine in anew."
		}
		return m.say("%s", text)
	}
	g := &grid{columns: []column{{name: "event"}, {name: "device"}, {name: "last"}}}
	g.add(plain(id), plain(b.Device), plain(fmt.Sprint(data.Last)))
	return m.report(struct {
		Event      string   `json:"event"`
		Device     string   `json:"device"`
		Last       int64    `json:"last"`
		Successors []string `json:"successors"` // still members
		Void       []string `json:"void"`       // of which nothing counts any more
	}{id, b.Device, data.Last, left, void}, "", g, "")
}

// deviceIDs completes the devices of the shop.
func (m *Main) deviceIDs(cmd *cobra.Command, _ []string, to string) ([]string, cobra.ShellCompDirective) {
	return m.complete(cmd, to, func(d *desk) []string {
		members, err := chain.Load(d.ctx, d.store, d.shopID)
		if err != nil {
			return nil
		}
		var list []string
		for _, b := range members.All() {
			if !b.Revoked {
				list = append(list, b.Device+"\t"+b.Name)
			}
		}
		return list
	})
}
