package key

import (
	"fmt"
	"io"
)

// String shows the device, never the secret.
func (k Key) String() string { return "key of device " + k.device }

// GoString shows what String shows.
func (k Key) GoString() string { return k.String() }

// Format shows what String shows, whatever the verb.
func (k Key) Format(s fmt.State, _ rune) { io.WriteString(s, k.String()) }

// MarshalText writes what String shows.
func (k Key) MarshalText() ([]byte, error) { return []byte(k.String()), nil }

// MarshalJSON writes what String shows.
func (k Key) MarshalJSON() ([]byte, error) { return []byte(`"` + k.String() + `"`), nil }
