package main

import (
	"context"
	"io"
	"log"
	"net"
	"net/http"
	"sync"
	"time"

	"countback/cmd/countback/pages"
	"countback/sync/pair"
)

// pagesPort is where the desk's pages are, on this machine alone.
const pagesPort = "8746"

// pagesDoor is the open door of the desk's pages.
type pagesDoor struct {
	desk   *deskPages
	site   *pages.Site
	server *http.Server
	stop   context.CancelFunc
	work   sync.WaitGroup
}

// openPages serves the pages of a desk on loopback until it is closed.
func openPages(ctx context.Context, p *deskPages, port string, o pages.Options) (*pagesDoor, error) {
	at := net.JoinHostPort("127.0.0.1", port)
	l, err := net.Listen("tcp", at)
	if err != nil && port == pagesPort { // another desk on this machine has it; the address is printed either way
		l, err = net.Listen("tcp", "127.0.0.1:0")
	}
	if err != nil {
		return nil, &fault{what: "the desk's pages can't be opened (" + err.Error() + ")", where: at, hint: "choose another port with --pages", status: statusMachine, err: err}
	}
	if _, o.Port, err = net.SplitHostPort(l.Addr().String()); err == nil {
		o.Entropy = p.m.Entropy
		var site *pages.Site
		if site, err = pages.New(p, o); err == nil {
			return serveSite(ctx, p, site, l), nil
		}
	}
	_ = l.Close() // nobody has come yet
	return nil, &fault{what: "the desk's pages can't be opened (" + err.Error() + ")", where: at, status: statusMachine, err: err}
}

func serveSite(ctx context.Context, p *deskPages, site *pages.Site, l net.Listener) *pagesDoor {
	d := &pagesDoor{desk: p, site: site, server: pair.Bounded(site.Handler())}
	ctx, d.stop = context.WithCancel(ctx)
	d.server.ErrorLog = log.New(io.Discard, "", 0)
	d.server.BaseContext = func(net.Listener) context.Context { return ctx } // open streams end with it
	p.looks.mu.Lock()
	fresh := make(chan struct{}, 1)
	p.looks.tell = func(look *pages.Look) {
		site.Changed(look.Version)
		nudge(fresh)
	}
	p.looks.mu.Unlock()
	d.work.Go(func() { _ = d.server.Serve(l) }) // it ends with close
	d.work.Go(func() { p.watch(ctx, site.Awake, func(after int64) { site.Arrived(ctx, after) }) })
	d.work.Go(func() { p.warm(ctx, site, fresh) })
	return d
}

// letIn says where the next browser gets in. A line that can't be written is one that isn't there: the pages go on.
func (m *Main) letIn(next string) {
	_ = m.say("A browser was let in. For another one:\n%s", next)
}

// warm works out, for the latest look, what every page shows; looks that were overtaken meanwhile are passed over.
func (p *deskPages) warm(ctx context.Context, site *pages.Site, fresh <-chan struct{}) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-fresh:
			if look, err := p.Look(ctx); err == nil && site.Awake() {
				site.Warm(ctx, look)
			}
		}
	}
}

// close lets what is under way end, for a moment.
func (d *pagesDoor) close() {
	d.stop()
	const patience = 2 * time.Second
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	if d.server.Shutdown(ctx) != nil {
		_ = d.server.Close() // it is over either way
	}
	d.work.Wait()
	d.desk.demo.close()
	d.desk.mu.Lock()
	defer d.desk.mu.Unlock()
	if d.desk.owned {
		_ = d.desk.store.Close() // all that was acknowledged is on disk
	}
}
