package key_test

import (
	"testing"

	"github.com/nats-io/nkeys"
	"pgregory.net/rapid"

	"countback/ledger/key"
)

// The bus's own library and this package write and read the same texts.
func TestTextIsThatOfNkeys(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		raw := rapid.SliceOfN(rapid.Byte(), 32, 32).Draw(t, "raw")
		seed, err := nkeys.EncodeSeed(nkeys.PrefixByteUser, raw)
		if err != nil {
			t.Fatal(err)
		}
		k, err := key.FromSeed(seed)
		if err != nil {
			t.Fatal(err)
		}
		pair, err := nkeys.FromSeed(seed)
		if err != nil {
			t.Fatal(err)
		}
		public, err := pair.PublicKey()
		if again, e := k.Seed(); err != nil || e != nil || string(again) != string(seed) || k.Public() != public {
			t.Fatalf("%s and %s, %s and %s", again, seed, k.Public(), public)
		}
		if _, err := key.DeviceOf(public); err != nil {
			t.Fatal(err)
		}
		// Any other text is refused, as there; here the one spelling alone is taken.
		at := rapid.IntRange(0, len(public)-1).Draw(t, "at")
		bad := []byte(public)
		if bad[at] = rapid.SampledFrom([]byte("ABCDUS27u=\n")).Draw(t, "letter"); string(bad) == public {
			return
		}
		if _, err := key.DeviceOf(string(bad)); err == nil {
			t.Fatalf("%q is taken", bad)
		}
	})
}
