//go:build !js

package pair

import (
	"context"
	"io"
	"net"
	"net/http"
	"time"

	"countback/sync/authority"
	"countback/sync/nearby"
)

// NewClient returns a client of the desk with a pin. address, if not empty, is dialled instead of the host that base names.
func NewClient(base, pin, address string, now func() time.Time, wait func(context.Context, time.Duration) error, entropy io.Reader) *Client {
	t := &http.Transport{TLSClientConfig: authority.Pinned(pin, now), ResponseHeaderTimeout: readTime, MaxResponseHeaderBytes: maxMessage, DialContext: nearby.Dial}
	if address != "" {
		var dial net.Dialer
		t.DialContext = func(ctx context.Context, network, _ string) (net.Conn, error) {
			return dial.DialContext(ctx, network, address)
		}
	}
	return NewClientOver(&http.Client{Transport: t}, base, now, wait, entropy)
}
