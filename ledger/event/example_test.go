package event_test

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base32"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/nats-io/nkeys"

	"countback/ledger/event"
	"countback/ledger/num"
)

const exampleDir = "../../testdata/events/example"

func readExample(t fatal, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(exampleDir, name))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// The worked example is a log of two events under the key of RFC 8032, section 7.1, test 1. This test checks it with the standard library
// alone, as anybody would who writes another program from the package comment.
func TestWorkedExampleFromTheBytes(t *testing.T) {
	pub := testKey().Public().(ed25519.PublicKey)
	fingerprint := sha256.Sum256(pub)
	device := strings.ToLower(base32.StdEncoding.EncodeToString(fingerprint[:]))[:26]
	prev := strings.Repeat("0", 64)
	for i, name := range []string{"1-device", "2-damage"} {
		line := readExample(t, name+".line")
		if bytes.ContainsAny(line, "\n\r\t") {
			t.Errorf("%s: the line holds white space", name)
		}
		head, tail, ok := bytes.Cut(line, []byte(`,"sig":"`))
		if !ok {
			t.Fatalf("%s: no signature", name)
		}
		input := readExample(t, name+".signing-input")
		if want := append([]byte("countback-event-v1\n"), head...); !bytes.Equal(input, want) {
			t.Errorf("%s: signing input\n%s\nwant\n%s", name, input, want)
		}
		sig, err := base64.RawURLEncoding.Strict().DecodeString(strings.TrimSuffix(string(tail), `"}`))
		if err != nil {
			t.Fatal(err)
		}
		if !ed25519.Verify(pub, input, sig) {
			t.Errorf("%s: the signature isn't the key's", name)
		}
		sum := sha256.Sum256(line)
		if got, want := string(readExample(t, name+".sha256")), hex.EncodeToString(sum[:]); got != want {
			t.Errorf("%s: hash %s, the line's is %s", name, got, want)
		}
		var e struct {
			Source, Prevhash string
			Devseq           int
			Data             struct{ Key, Endorsement string }
		}
		if err := json.Unmarshal(line, &e); err != nil {
			t.Fatal(err)
		}
		if e.Source != "/shop/"+device+"/device/"+device || e.Devseq != i+1 || e.Prevhash != prev {
			t.Errorf("%s: source %s, devseq %d, prevhash %s; want device %s, %d, %s", name, e.Source, e.Devseq, e.Prevhash, device, i+1, prev)
		}
		prev = hex.EncodeToString(sum[:])
		if i > 0 {
			continue
		}
		if want, err := nkeys.Encode(nkeys.PrefixByteUser, pub); err != nil || e.Data.Key != string(want) {
			t.Errorf("key %s, want %s (%v)", e.Data.Key, want, err)
		}
		endorsement, err := base64.RawURLEncoding.DecodeString(e.Data.Endorsement)
		if err != nil || !ed25519.Verify(pub, []byte("countback-admit-v1\n"+device+"\n"+e.Data.Key+"\ndesk"), endorsement) {
			t.Errorf("the endorsement isn't the key's (%v)", err)
		}
	}
}

// exampleEvents is the worked example as it is written by this package.
func exampleEvents(t fatal) [][]byte {
	pub := testKey().Public().(ed25519.PublicKey)
	fingerprint := sha256.Sum256(pub)
	device := strings.ToLower(base32.StdEncoding.EncodeToString(fingerprint[:]))[:26]
	nkey, err := nkeys.Encode(nkeys.PrefixByteUser, pub)
	if err != nil {
		t.Fatal(err)
	}
	endorsement := ed25519.Sign(testKey(), []byte("countback-admit-v1\n"+device+"\n"+string(nkey)+"\ndesk"))
	u := sample()
	u.Shop, u.Device, u.Seq, u.Prev, u.Person = device, device, 1, event.FirstPrev, ""
	u.Data = &event.Device{Key: string(nkey), Name: "packing bench", Role: "desk", By: device, Endorsement: base64.RawURLEncoding.EncodeToString(endorsement)}
	first := seal(t, u)
	u.ID[15]++
	u.Seq, u.Prev, u.Person = 2, event.HashLine(first), "Wren"
	u.Time, _ = event.ParseTime("2026-03-02T09:31:07.5-04:00")
	u.Data = &event.Damage{Item: "wrap-kraft", Qty: num.MustQty("1.5"), Measure: "wrap", Reason: "spoiled", Note: `cut along the "fold" \ not across, né 90 g/m²`}
	return [][]byte{first, seal(t, u)}
}

// TestWorkedExampleIsWrittenAndRead; COUNTBACK_UPDATE=1 writes the files anew, which only a new version of the format allows.
func TestWorkedExampleIsWrittenAndRead(t *testing.T) {
	for i, line := range exampleEvents(t) {
		name := []string{"1-device", "2-damage"}[i]
		head, _, err := event.Signed(line)
		if err != nil {
			t.Fatal(err)
		}
		for suffix, want := range map[string][]byte{".line": line, ".signing-input": event.SigningInput(head), ".sha256": []byte(event.HashLine(line))} {
			if os.Getenv("COUNTBACK_UPDATE") == "1" {
				if err := os.WriteFile(filepath.Join(exampleDir, name+suffix), want, 0o644); err != nil {
					t.Fatal(err)
				}
			}
			if got := readExample(t, name+suffix); !bytes.Equal(got, want) {
				t.Errorf("%s%s\nhas   %s\nwrote %s", name, suffix, got, want)
			}
		}
		e, err := event.ParseLine(line)
		if err != nil || e.Fault != nil {
			t.Fatalf("%s: %v, %v", name, err, e)
		}
		if e.Seq != int64(i+1) || e.Hash != string(readExample(t, name+".sha256")) {
			t.Errorf("%s: sequence %d, hash %s", name, e.Seq, e.Hash)
		}
	}
}

// Ed25519 signatures. Source: RFC 8032, section 7.1, tests 1 to 3 (read in the Go distribution, crypto/ed25519/testdata/sign.input.gz).
func TestSignaturesOfRFC8032(t *testing.T) {
	for _, c := range []struct{ secret, public, message, signature string }{
		{"9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60", "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a", "",
			"e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b"},
		{"4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb", "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c", "72",
			"92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"},
		{"c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7", "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025", "af82",
			"6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a"},
	} {
		secret, _ := hex.DecodeString(c.secret)
		message, _ := hex.DecodeString(c.message)
		key := ed25519.NewKeyFromSeed(secret)
		if got := hex.EncodeToString(key.Public().(ed25519.PublicKey)); got != c.public {
			t.Errorf("public key %s, want %s", got, c.public)
		}
		if got := hex.EncodeToString(ed25519.Sign(key, message)); got != c.signature {
			t.Errorf("signature %s, want %s", got, c.signature)
		}
	}
}

// Hashes. Source: the example vectors of FIPS 180-4, from memory.
func TestHashesOfFIPS180(t *testing.T) {
	for message, want := range map[string]string{
		"":    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
		"abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
		"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq": "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
	} {
		if got := event.HashLine([]byte(message)); got != want {
			t.Errorf("%q: %s, want %s", message, got, want)
		}
	}
}
