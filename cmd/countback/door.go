package main

import (
	"context"
	"crypto/tls"
	"errors"
	"io"
	"io/fs"
	"log"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"time"

	"countback/ledger/key"
	"countback/sync/authority"
	"countback/sync/nearby"
	"countback/sync/pair"
)

// authorityFile holds this desk's certificate authority with its key; 0600, in no export.
const authorityFile = "authority.pem"

// doorPort is where a desk's door is, so that phones find it again: to a phone another port is another site.
const doorPort = "8743"

// stableName is the name under which a desk's door is found in its network, whatever its address is. It comes from the desk that founded the shop or was made
// from its hand-over file.
func stableName(device string) string {
	const some = 6
	return "countback-" + device[:some] + ".local"
}

// openAuthority returns the certificate authority of a data folder, which is made if there is none.
func (m *Main) openAuthority(dir, device, shop string) (*authority.Authority, error) {
	path := filepath.Join(dir, authorityFile)
	a, err := readAuthority(path)
	if !errors.Is(err, fs.ErrNotExist) {
		return a, err
	}
	if a, err = authority.New(stableName(device), shop, m.Now(), m.Entropy); err != nil {
		return nil, &fault{what: err.Error(), status: statusMachine, err: err}
	}
	text, err := a.Encode()
	if err != nil {
		return nil, err
	}
	err = writeNew(path, func(w io.Writer) error {
		_, err := w.Write(text)
		return err
	})
	if errors.Is(err, fs.ErrExist) { // another process was quicker
		return readAuthority(path)
	}
	return a, err
}

func readAuthority(path string) (*authority.Authority, error) {
	const most = 16 << 10
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, most+1))
	if err != nil {
		return nil, err
	}
	a, err := authority.Parse(text)
	if err != nil {
		return nil, &fault{what: err.Error(), where: path, status: statusMachine, err: err,
			hint: "put the file back from a backup, or remove it: a new one is made, and each phone must trust it anew"}
	}
	return a, nil
}

// addresses are those that this machine has in its networks.
func addresses() []net.IP {
	list, err := net.InterfaceAddrs()
	if err != nil {
		return nil // the stable name is left
	}
	var ips []net.IP
	for _, a := range list {
		if n, ok := a.(*net.IPNet); ok {
			ips = append(ips, n.IP)
		}
	}
	return ips
}

// certificates makes the certificates of this desk's door.
func (m *Main) certificates(a *authority.Authority) *authority.Server {
	return &authority.Server{Authority: a, Addresses: addresses, Now: m.Now, Entropy: m.Entropy}
}

// pairing is this desk as the side of a pairing that shows the code.
func (d *desk) pairing(k *key.Key) *pair.Desk {
	return &pair.Desk{Store: d.store, Shop: d.shopID, Name: d.shop.Name, Public: k.Public(), Now: d.m.Now, Entropy: d.m.Entropy}
}

// doorway is a door that a command keeps open itself.
type doorway struct {
	addr    string // HOST:PORT
	server  *http.Server
	done    chan struct{}
	name    string       // the stable name, where it is found by that; else ""
	silence func() error // ends that
}

// openDoor serves a handler over TLS until it is closed. flag is what names another port.
func openDoor(at, flag string, config *tls.Config, h http.Handler) (*doorway, error) {
	l, err := net.Listen("tcp", at)
	if err != nil {
		return nil, &fault{what: "the door can't be opened (" + err.Error() + ")", where: at, hint: "choose another port with " + flag, status: statusMachine, err: err}
	}
	w := &doorway{addr: l.Addr().String(), server: pair.Bounded(h), done: make(chan struct{})}
	w.server.ErrorLog = log.New(io.Discard, "", 0) // what strangers do wrong at the door is for them to hear
	go func() {
		defer close(w.done)
		_ = w.server.Serve(tls.NewListener(pair.Listener(l), config)) // it ends with close
	}()
	return w, nil
}

// close lets what is under way end, for a moment.
func (w *doorway) close() {
	if w.silence != nil {
		_ = w.silence() // the name is forgotten by itself
	}
	const patience = 2 * time.Second
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	if w.server.Shutdown(ctx) != nil {
		_ = w.server.Close() // it is over either way
	}
	<-w.done
}

// call lets the door be found by a stable name, where it listens to the whole network. If the network doesn't carry such names its address is left.
func (w *doorway) call(name string) {
	host, _, err := net.SplitHostPort(w.addr)
	if ip := net.ParseIP(host); err != nil || ip == nil || !ip.IsUnspecified() {
		return
	}
	if stop, err := nearby.Announce(name, false); err == nil {
		w.name, w.silence = name, stop
	}
}

// base is the address of the door for links: by its stable name if it has one.
func (w *doorway) base() string {
	if _, port, err := net.SplitHostPort(w.addr); err == nil && w.name != "" {
		return "https://" + net.JoinHostPort(w.name, port)
	}
	return "https://" + reachable(w.addr)
}

// reachable puts an address that others can reach in the place of one that listens everywhere.
func reachable(addr string) string {
	host, port, err := net.SplitHostPort(addr)
	if err != nil {
		return addr
	}
	if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
		for _, a := range addresses() {
			if a.To4() != nil && a.IsGlobalUnicast() && authority.Permitted(a) {
				host = a.String()
				break
			}
		}
	}
	return net.JoinHostPort(host, port)
}

// wait waits, or until the command is stopped.
func wait(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}
