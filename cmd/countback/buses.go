package main

import (
	"context"
	"net/url"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"countback/sync/authority"
	"countback/sync/bus"
	"countback/sync/bus/bridge"
	"countback/sync/handover"
	"countback/sync/pair"
	"countback/sync/replicate"
)

// buses are the outer ones that a command is given.
type buses struct {
	urls  []string
	creds string
}

func (b *buses) flags(cmd *cobra.Command) {
	cmd.Flags().StringArrayVar(&b.urls, "bus", nil, "`address` of a NATS server or cluster, such as tls://bus.example.org:4222; several servers of a cluster with commas between them")
	cmd.Flags().StringVar(&b.creds, "creds", "", "`file` with the credentials for --bus")
}

// outer are the buses that this desk goes to: those that were given, and those of desks that it knows.
func (m *Main) outer(d *desk, b buses, warn func(string)) ([]bus.Config, error) {
	list, err := m.peerBuses(d, warn)
	if err != nil {
		return nil, err
	}
	if b.creds != "" {
		if len(b.urls) == 0 {
			return nil, wrong("--creds", "name the bus with --bus", "there is no bus that the credentials would be for")
		}
		f, err := os.Open(b.creds)
		if err != nil {
			return nil, err
		}
		if err := f.Close(); err != nil {
			return nil, err
		}
	}
	for _, text := range b.urls {
		name, err := busName(text)
		if err != nil {
			return nil, err
		}
		list = append(list, bus.Config{
			Name: name, Shop: d.shopID, Device: d.key.Device(), Desk: true, Connect: bus.To(text, b.creds), After: time.After, Warn: warn,
		})
	}
	return list, nil
}

// busName is a bus's name, which holds no password and is the same as long as the address is.
func busName(text string) (string, error) {
	var hosts []string
	for _, part := range strings.Split(text, ",") {
		u, err := url.Parse(strings.TrimSpace(part))
		if err != nil || u.Host == "" || u.Path != "" && u.Path != "/" {
			return "", wrong("--bus", "write it like tls://bus.example.org:4222", "that is no address of a NATS server")
		}
		switch u.Scheme {
		case "nats", "tls", "ws", "wss":
		default:
			return "", wrong("--bus", "it begins with nats:// or tls://", "%s:// isn't how a NATS server is spoken to", u.Scheme)
		}
		hosts = append(hosts, u.Host)
	}
	return strings.Join(hosts, ","), nil
}

// peerBuses are the buses of desks whose doors this one has been to.
func (m *Main) peerBuses(d *desk, warn func(string)) ([]bus.Config, error) {
	peers, err := pair.Peers(d.ctx, d.store)
	if err != nil {
		return nil, err
	}
	var list []bus.Config
	for _, p := range peers {
		rest, ok := strings.CutPrefix(p.Base, "https://")
		if !ok || p.Device == d.key.Device() {
			continue
		}
		list = append(list, bus.Config{
			Name: "desk " + p.Device, Shop: d.shopID, Device: d.key.Device(), After: time.After, Warn: warn,
			Connect:  bridge.Connect("wss://"+rest+"/nats", p.At, authority.Pinned(p.Pin, m.Now), d.key),
			Download: m.download(d, p),
		})
	}
	return list, nil
}

// download fetches the hand-over file from another desk's door.
func (m *Main) download(d *desk, p pair.Peer) func(context.Context, func(replicate.Downloaded)) error {
	return func(ctx context.Context, part func(replicate.Downloaded)) error {
		c := pair.NewClient(p.Base, p.Pin, p.At, m.Now, wait, m.Entropy)
		defer c.Close()
		return c.Download(ctx, d.key, func(_ handover.Head, x handover.Part) error {
			part(replicate.Downloaded{Lines: x.Lines, Receipts: x.Receipts, Place: x.Place, Done: x.Done})
			return nil
		})
	}
}
