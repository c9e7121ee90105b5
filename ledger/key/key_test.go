package key_test

import (
	"bytes"
	"crypto/ed25519"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"testing"

	"github.com/nats-io/nkeys"
	"pgregory.net/rapid"

	"countback/ledger/event"
	"countback/ledger/key"
)

// rfc8032 is TEST 2 of RFC 8032, section 7.1: a message of the one byte 0x72, the letter r.
var rfc8032 = struct{ secret, public, signature string }{
	"4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
	"3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
	"92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00",
}

func unhex(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func fixed(t *testing.T) *key.Key {
	t.Helper()
	k, err := key.Generate(bytes.NewReader(unhex(t, rfc8032.secret)))
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func TestPublishedSignature(t *testing.T) {
	k := fixed(t)
	sig, err := k.Sign(key.Nonce, []byte("r"))
	if err != nil {
		t.Fatal(err)
	}
	if want := base64.RawURLEncoding.EncodeToString(unhex(t, rfc8032.signature)); sig != want {
		t.Errorf("signature %s, RFC 8032 has %s", sig, want)
	}
	raw, err := nkeys.Decode(nkeys.PrefixByteUser, []byte(k.Public()))
	if err != nil || hex.EncodeToString(raw) != rfc8032.public {
		t.Errorf("public key %x %v, RFC 8032 has %s", raw, err, rfc8032.public)
	}
}

// The id was computed apart from this program: base32 of the SHA-256 of the RFC's public key (coreutils).
func TestDeviceID(t *testing.T) {
	k := fixed(t)
	if got, want := k.Device(), "hh3rhufgiqst6bcssqq3t5i3tm"; got != want {
		t.Errorf("device %s, want %s", got, want)
	}
	if got, err := key.DeviceOf(k.Public()); err != nil || got != k.Device() {
		t.Errorf("DeviceOf says %s, %v", got, err)
	}
}

func TestSeedRoundTrip(t *testing.T) {
	k := fixed(t)
	seed, err := k.Seed()
	if err != nil {
		t.Fatal(err)
	}
	again, err := key.FromSeed(seed)
	if err != nil || again.Public() != k.Public() || again.Device() != k.Device() {
		t.Fatalf("read back as %v, %v", again, err)
	}
	kp, err := nkeys.FromSeed(seed) // the bus's own library reads it too
	if err != nil {
		t.Fatal(err)
	}
	if pub, _ := kp.PublicKey(); pub != k.Public() {
		t.Errorf("nkeys reads %s, want %s", pub, k.Public())
	}
}

func TestSeedRefused(t *testing.T) {
	k := fixed(t)
	seed, _ := k.Seed()
	account, err := nkeys.EncodeSeed(nkeys.PrefixByteAccount, unhex(t, rfc8032.secret))
	if err != nil {
		t.Fatal(err)
	}
	broken := bytes.Clone(seed)
	broken[20] ^= 1
	for name, bad := range map[string][]byte{"empty": nil, "cut": seed[:40], "a letter changed": broken, "an account's": account} {
		_, err := key.FromSeed(bad)
		if !errors.Is(err, key.ErrKey) {
			t.Errorf("%s: %v", name, err)
		}
		if len(bad) > 0 && strings.Contains(fmt.Sprint(err), string(bad)) {
			t.Errorf("%s: the error shows the seed", name)
		}
	}
}

func TestNoRandomness(t *testing.T) {
	if _, err := key.Generate(bytes.NewReader(make([]byte, 31))); err == nil {
		t.Error("a key was made from 31 bytes")
	}
}

func TestPurposesAreApart(t *testing.T) {
	k := fixed(t)
	purposes := []key.Purpose{key.Event, key.Admit, key.Recover, key.Held, key.Pair, key.Nonce}
	for _, p := range purposes {
		payload := []byte(`{"a":1}`)
		if p == key.Nonce {
			payload = []byte("abc")
		}
		sig, err := k.Sign(p, payload)
		if err != nil {
			t.Fatalf("%d: %v", p, err)
		}
		if err := key.Verify(k.Public(), p, payload, sig); err != nil {
			t.Errorf("%d: own signature: %v", p, err)
		}
		for _, other := range purposes {
			if other != p && key.Verify(k.Public(), other, payload, sig) == nil {
				t.Errorf("a signature for purpose %d passes for %d", p, other)
			}
		}
	}
}

func TestSignedBytes(t *testing.T) {
	k := fixed(t)
	raw := ed25519.PublicKey(unhex(t, rfc8032.public))
	head := []byte(`{"specversion":"1.0"`)
	for _, c := range []struct {
		p       key.Purpose
		payload []byte
		signed  string
	}{
		{key.Event, head, "countback-event-v1\n" + string(head)},
		{key.Event, head, string(event.SigningInput(head))},
		{key.Admit, key.AdmitPayload("shopid", "UKEY", "phone"), "countback-admit-v1\nshopid\nUKEY\nphone"},
		{key.Held, []byte("x"), "countback-held-v1\nx"},
		{key.Nonce, []byte("x_-9Z"), "x_-9Z"},
	} {
		text, err := k.Sign(c.p, c.payload)
		if err != nil {
			t.Fatal(err)
		}
		sig, err := base64.RawURLEncoding.DecodeString(text)
		if err != nil || !ed25519.Verify(raw, []byte(c.signed), sig) {
			t.Errorf("purpose %d doesn't sign %q", c.p, c.signed)
		}
	}
}

func TestNonceRefused(t *testing.T) {
	k := fixed(t)
	for _, bad := range []string{"", strings.Repeat("a", 65), "a b", "a\n", "countback-event-v1\n{}", "é", "a=", "a/b", "a+b"} {
		if _, err := k.Sign(key.Nonce, []byte(bad)); !errors.Is(err, key.ErrPurpose) {
			t.Errorf("nonce %q: %v", bad, err)
		}
	}
	if _, err := k.Sign(key.Nonce, []byte(strings.Repeat("a", 64))); err != nil {
		t.Error(err)
	}
	for _, p := range []key.Purpose{0, 99, key.Admit, key.Event} {
		if _, err := k.Sign(p, nil); !errors.Is(err, key.ErrPurpose) {
			t.Errorf("purpose %d without bytes: %v", p, err)
		}
	}
}

// Every other spelling of a signature, and every changed bit, is refused.
func TestSignatureOneSpelling(t *testing.T) {
	k := fixed(t)
	sig, _ := k.Sign(key.Nonce, []byte("abc"))
	for i := range len(sig) {
		for _, c := range "ABgw_-=\n" {
			bad := sig[:i] + string(c) + sig[i+1:]
			if bad != sig && key.Verify(k.Public(), key.Nonce, []byte("abc"), bad) == nil {
				t.Errorf("passes with %q at %d", c, i)
			}
		}
	}
	for _, bad := range []string{"", sig + "=", sig + "A", "\n" + sig, sig[:85]} {
		if !errors.Is(key.Verify(k.Public(), key.Nonce, []byte("abc"), bad), key.ErrSignature) {
			t.Errorf("%q passes", bad)
		}
	}
}

func TestKeyNeverPrints(t *testing.T) {
	k := fixed(t)
	seed, _ := k.Seed()
	type inside struct {
		Shown  key.Key
		hidden key.Key
		ptr    *key.Key
	}
	s := inside{*k, *k, k}
	var out strings.Builder
	for _, v := range []any{k, *k, s, &s, []key.Key{*k}, map[string]*key.Key{"a": k}} {
		for _, verb := range []string{"%v", "%+v", "%#v", "%s", "%q", "%x", "%X", "%d"} {
			fmt.Fprintf(&out, verb+"\n", v)
		}
		b, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		out.Write(b)
		slog.New(slog.NewJSONHandler(&out, nil)).Info("key", "k", v)
		slog.New(slog.NewTextHandler(&out, nil)).Info("key", "k", v)
	}
	text := strings.ToLower(out.String())
	raw := unhex(t, rfc8032.secret)
	for name, planted := range map[string]string{
		"seed": string(seed), "hex": rfc8032.secret, "bytes": strings.Trim(fmt.Sprint(raw[:8]), "[]"), "Go bytes": strings.Trim(fmt.Sprintf("%#v", raw[:4]), "[]byte{}"),
		"base64": base64.StdEncoding.EncodeToString(raw)[:20],
	} {
		if strings.Contains(text, strings.ToLower(planted)) {
			t.Errorf("the secret is shown as %s", name)
		}
	}
	if !strings.Contains(text, k.Device()) {
		t.Error("nothing was printed at all")
	}
}

func TestAnyKey(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k, err := key.Generate(bytes.NewReader(rapid.SliceOfN(rapid.Byte(), 32, 32).Draw(t, "secret")))
		if err != nil {
			t.Fatal(err)
		}
		payload := rapid.SliceOfN(rapid.Byte(), 1, 200).Draw(t, "payload")
		sig, err := k.Sign(key.Held, payload)
		if err != nil || len(sig) != 86 {
			t.Fatalf("%q %v", sig, err)
		}
		if err := key.Verify(k.Public(), key.Held, payload, sig); err != nil {
			t.Fatal(err)
		}
		payload[rapid.IntRange(0, len(payload)-1).Draw(t, "at")] ^= 1
		if key.Verify(k.Public(), key.Held, payload, sig) == nil {
			t.Fatal("passes for other bytes")
		}
	})
}

func FuzzFromSeed(f *testing.F) {
	f.Add([]byte("SUAA"))
	f.Fuzz(func(t *testing.T, b []byte) {
		k, err := key.FromSeed(b)
		if err != nil {
			return
		}
		if seed, err := k.Seed(); err != nil || !bytes.Equal(seed, b) {
			t.Errorf("%d bytes were read as a seed that is written otherwise", len(b))
		}
	})
}
