package bus

import (
	"context"
	"encoding/base64"

	"github.com/nats-io/nats.go"

	"countback/ledger/key"
)

// AsDevice lets a connection prove itself by a device's key.
func AsDevice(k *key.Key) nats.Option {
	return nats.Nkey(k.Public(), func(nonce []byte) ([]byte, error) {
		sig, err := k.Sign(key.Nonce, nonce)
		if err != nil {
			return nil, err
		}
		return base64.RawURLEncoding.DecodeString(sig)
	})
}

// To connects to servers by their addresses (nats:// or tls://, several with commas between them). credentials is the path of a file as the server's
// administration gives it; "" for none.
func To(servers, credentials string) func(context.Context, ...nats.Option) (*nats.Conn, error) {
	return func(_ context.Context, opts ...nats.Option) (*nats.Conn, error) {
		if credentials != "" {
			opts = append(opts, nats.UserCredentials(credentials))
		}
		return nats.Connect(servers, opts...)
	}
}
