package browser

import (
	"net"
	"sync"
)

// Wire is what lies between a phone and the desk: an address that passes everything on to another one, until it is cut or held up. A browser's own "offline"
// stops neither what a service worker asks for nor an open connection; this does.
type Wire struct {
	to     string
	listen net.Listener
	mu     sync.Mutex
	free   *sync.Cond
	cut    bool
	held   bool
	open   map[net.Conn]bool
}

// NewWire listens on loopback, on a free port, and passes on to an address.
func NewWire(to string) (*Wire, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	w := &Wire{to: to, listen: l, open: map[net.Conn]bool{}}
	w.free = sync.NewCond(&w.mu)
	go w.serve()
	return w, nil
}

// Address is where the wire begins, HOST:PORT.
func (w *Wire) Address() string { return w.listen.Addr().String() }

// Cut ends every connection, and refuses new ones, until Mend.
func (w *Wire) Cut() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.cut = true
	w.free.Broadcast()
	for c := range w.open {
		_ = c.Close() // it is over either way
	}
}

// Hold lets nothing more pass, without ending a connection, until Mend: what a weak signal does.
func (w *Wire) Hold() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.held = true
}

// Mend lets everything pass again.
func (w *Wire) Mend() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.cut, w.held = false, false
	w.free.Broadcast()
}

// Close ends the wire.
func (w *Wire) Close() error {
	w.Cut()
	w.Mend()
	return w.listen.Close()
}

func (w *Wire) serve() {
	for {
		c, err := w.listen.Accept()
		if err != nil {
			return // it was closed
		}
		w.mu.Lock()
		to, cut := w.to, w.cut
		w.mu.Unlock()
		if cut {
			_ = c.Close()
			continue
		}
		go w.join(c, to)
	}
}

func (w *Wire) join(c net.Conn, to string) {
	d, err := net.Dial("tcp", to)
	if err != nil {
		_ = c.Close()
		return
	}
	w.mu.Lock()
	if w.cut {
		w.mu.Unlock()
		_, _ = c.Close(), d.Close()
		return
	}
	w.open[c], w.open[d] = true, true
	w.mu.Unlock()
	var both sync.WaitGroup
	both.Go(func() { w.pass(c, d) })
	both.Go(func() { w.pass(d, c) })
	both.Wait()
	w.mu.Lock()
	delete(w.open, c)
	delete(w.open, d)
	w.mu.Unlock()
}

// pass carries one direction.
func (w *Wire) pass(from, to net.Conn) {
	defer func() { _, _ = from.Close(), to.Close() }()
	const piece = 16 << 10
	buffer := make([]byte, piece)
	for {
		n, err := from.Read(buffer)
		w.mu.Lock()
		for w.held && !w.cut {
			w.free.Wait()
		}
		w.mu.Unlock()
		if n > 0 {
			if _, err := to.Write(buffer[:n]); err != nil {
				return
			}
		}
		if err != nil {
			return
		}
	}
}
