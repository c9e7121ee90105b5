package pair

import (
	"net"
	"sync"
)

// How many connections a door holds, in all and of one address: a browser makes six, and a bridge to the bus some for each tab.
const (
	maxConns     = 256
	maxConnsEach = 48
)

// Listener returns a listener that holds a bounded number of connections, so that nobody can keep all others out or use up what the system has. What is too much is
// closed at once.
func Listener(l net.Listener) net.Listener { return &listener{Listener: l, each: map[string]int{}} }

type listener struct {
	net.Listener
	mu   sync.Mutex
	all  int
	each map[string]int
}

// Accept returns the next connection for which there is room.
func (l *listener) Accept() (net.Conn, error) {
	for {
		c, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		from := hostOf(c.RemoteAddr().String())
		if l.enter(from) {
			return &conn{Conn: c, leave: sync.OnceFunc(func() { l.leave(from) })}, nil
		}
		_ = c.Close() // nobody was let in
	}
}

func (l *listener) enter(from string) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.all >= maxConns || l.each[from] >= maxConnsEach {
		return false
	}
	l.all++
	l.each[from]++
	return true
}

func (l *listener) leave(from string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.all--
	if l.each[from]--; l.each[from] == 0 {
		delete(l.each, from)
	}
}

type conn struct {
	net.Conn
	leave func()
}

// Close closes the connection, and makes room for another one.
func (c *conn) Close() error {
	c.leave()
	return c.Conn.Close()
}

func hostOf(address string) string {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return address
	}
	return host
}
