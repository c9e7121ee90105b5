//go:build js

package main

import (
	"context"
	"errors"
	"io"
	"net"
	"os"
	"sync"
	"syscall/js"
	"time"

	"countback/ledger/store/indexeddb"
)

// conn is a connection through the browser's WebSocket. Its Close never waits for the other side, which may be gone.
type conn struct {
	now    func() time.Time
	socket js.Value
	funcs  []js.Func
	bell   chan struct{} // something has happened

	mu       sync.Mutex
	parts    [][]byte
	held     int // bytes of parts
	err      error
	readBy   time.Time
	writeBy  time.Time
	released bool
}

const (
	mostHeld = 64 << 20 // bytes that wait to be read: more than the desk sends before it is asked again
	mostSent = 1 << 20  // bytes that wait to be sent
	frame    = 256 << 10
	look     = 10 * time.Millisecond
)

var errDial = errors.New("the desk can't be reached")

// dial opens a WebSocket.
func dial(ctx context.Context, now func() time.Time, address string) (net.Conn, error) {
	c := &conn{now: now, bell: make(chan struct{}, 1)}
	if err := indexeddb.Catch(func() { c.socket = js.Global().Get("WebSocket").New(address) }); err != nil {
		return nil, err
	}
	c.socket.Set("binaryType", "arraybuffer")
	opened := make(chan struct{}, 1)
	c.on("onopen", func(js.Value) { opened <- struct{}{} })
	c.on("onmessage", c.message)
	c.on("onerror", func(js.Value) { c.end(errDial) })
	c.on("onclose", func(js.Value) { c.end(io.EOF) })
	for {
		select {
		case <-opened:
			return c, nil
		case <-c.bell:
			if err := c.failed(); err != nil {
				c.Close()
				return nil, errDial
			}
		case <-ctx.Done():
			c.Close()
			return nil, ctx.Err()
		}
	}
}

func (c *conn) on(name string, do func(js.Value)) {
	f := js.FuncOf(func(_ js.Value, args []js.Value) any {
		do(args[0])
		return nil
	})
	c.funcs = append(c.funcs, f)
	c.socket.Set(name, f)
}

func (c *conn) ring() {
	select {
	case c.bell <- struct{}{}:
	default:
	}
}

func (c *conn) message(m js.Value) {
	data := m.Get("data")
	if data.Type() != js.TypeObject {
		return // a text: the bus sends none
	}
	view := js.Global().Get("Uint8Array").New(data)
	b := make([]byte, view.Get("byteLength").Int())
	js.CopyBytesToGo(b, view)
	c.mu.Lock()
	c.parts, c.held = append(c.parts, b), c.held+len(b)
	tooMuch := c.held > mostHeld
	c.mu.Unlock()
	if tooMuch {
		c.end(errors.New("the desk sends more than was asked for"))
	}
	c.ring()
}

func (c *conn) end(err error) {
	c.mu.Lock()
	if c.err == nil {
		c.err = err
	}
	c.mu.Unlock()
	c.ring()
}

func (c *conn) failed() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.err
}

// Read implements net.Conn.
func (c *conn) Read(b []byte) (int, error) {
	for {
		c.mu.Lock()
		if len(c.parts) > 0 {
			n := copy(b, c.parts[0])
			if c.parts[0], c.held = c.parts[0][n:], c.held-n; len(c.parts[0]) == 0 {
				c.parts = c.parts[1:]
			}
			c.mu.Unlock()
			return n, nil
		}
		err, by := c.err, c.readBy
		c.mu.Unlock()
		if err != nil {
			return 0, err
		}
		if !c.wait(by) {
			return 0, os.ErrDeadlineExceeded
		}
	}
}

// wait waits until something happens; false once the deadline has passed.
func (c *conn) wait(by time.Time) bool {
	if by.IsZero() {
		<-c.bell
		return true
	}
	left := by.Sub(c.now())
	if left <= 0 {
		return false
	}
	t := time.NewTimer(left)
	defer t.Stop()
	select {
	case <-c.bell:
	case <-t.C:
	}
	return true
}

// Write implements net.Conn. It waits while the browser has much that isn't sent.
func (c *conn) Write(b []byte) (n int, err error) {
	for len(b) > 0 {
		c.mu.Lock()
		err, by := c.err, c.writeBy
		c.mu.Unlock()
		if err != nil {
			return n, err
		}
		if c.socket.Get("bufferedAmount").Int() > mostSent {
			if !by.IsZero() && !c.now().Before(by) {
				return n, os.ErrDeadlineExceeded
			}
			time.Sleep(look)
			continue
		}
		part := b[:min(len(b), frame)]
		if err := indexeddb.Catch(func() { c.socket.Call("send", indexeddb.FromBytes(part)) }); err != nil {
			return n, err
		}
		n, b = n+len(part), b[len(part):]
	}
	return n, nil
}

// Close implements net.Conn.
func (c *conn) Close() error {
	c.end(net.ErrClosed)
	c.mu.Lock()
	released := c.released
	c.released = true
	c.mu.Unlock()
	if released {
		return nil
	}
	for _, name := range []string{"onopen", "onmessage", "onerror", "onclose"} {
		c.socket.Set(name, js.Null())
	}
	_ = indexeddb.Catch(func() { c.socket.Call("close") }) // it was never open, then
	for _, f := range c.funcs {
		f.Release()
	}
	return nil
}

type address struct{}

func (address) Network() string { return "websocket" }
func (address) String() string  { return "desk" }

// LocalAddr implements net.Conn.
func (c *conn) LocalAddr() net.Addr { return address{} }

// RemoteAddr implements net.Conn.
func (c *conn) RemoteAddr() net.Addr { return address{} }

// SetDeadline implements net.Conn.
func (c *conn) SetDeadline(t time.Time) error {
	return errors.Join(c.SetReadDeadline(t), c.SetWriteDeadline(t))
}

// SetReadDeadline implements net.Conn.
func (c *conn) SetReadDeadline(t time.Time) error {
	c.mu.Lock()
	c.readBy = t
	c.mu.Unlock()
	c.ring()
	return nil
}

// SetWriteDeadline implements net.Conn.
func (c *conn) SetWriteDeadline(t time.Time) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.writeBy = t
	return nil
}
