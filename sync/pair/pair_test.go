package pair_test

import (
	"context"
	"crypto/rand"
	"errors"
	"net/http"
	"strings"
	"testing"
	"time"

	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/store"
	"countback/ledger/store/memory"
	"countback/sync/authority"
	"countback/sync/handover"
	"countback/sync/pair"
	"countback/sync/replicate"
)

func TestADeviceJoins(t *testing.T) {
	h := newHouse(t)
	phone := newKey(t)
	code := h.code()
	m := h.meet(code, phone, "pocket", "phone")
	if m.Shop != h.shop || m.ShopName != "Fennimoor Paper" || m.Desk != h.key.Device() || len(m.Digits()) != 6 {
		t.Error(m.Agreement, m.ShopName, m.Desk)
	}
	v, err := h.desk.View(ctx, code)
	if err != nil || v.Phase != pair.Agreed || v.Device != phone.Device() || v.Name != "pocket" || v.Role != "phone" || v.Digits != "" {
		t.Error(v, err)
	}
	if b, ok := h.members().Get(phone.Device()); ok {
		t.Error("a member before the digits were typed:", b)
	}
	want(t, h.desk.Confirm(ctx, code, m.Digits(), h.key), nil, "right digits")
	want(t, h.desk.Confirm(ctx, code, m.Digits(), h.key), nil, "right digits once more")
	device, err := m.Endorsement(ctx, "pocket", "phone")
	if err != nil {
		t.Fatal(err)
	}
	line := h.first(phone, device)
	for range 2 { // an answer that was lost
		want(t, h.client(h.auth.Pin()).Admit(ctx, line), nil, "the first event")
	}
	b, ok := h.members().Get(phone.Device())
	if !ok || b.Role != "phone" || b.Name != "pocket" || b.By != h.key.Device() {
		t.Error(b, ok)
	}
	if heads, err := h.st.Heads(ctx); err != nil || heads[phone.Device()].Seq != 1 {
		t.Error(heads, err)
	}
}

func TestCodesThatArentGood(t *testing.T) {
	h := newHouse(t)
	c := h.client(h.auth.Pin())
	phone, other := newKey(t), newKey(t)
	meet := func(code pair.Code, k *key.Key) error {
		_, err := c.Meet(ctx, code, k, "pocket", "phone")
		return err
	}
	never, err := pair.NewCode(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	want(t, meet(never, phone), pair.ErrCode, "no pairing was ever open")
	first := h.code()
	want(t, meet(never, phone), pair.ErrCode, "a wrong code")
	second := h.code()
	want(t, meet(first, phone), pair.ErrCode, "the code before")
	h.clock.on(pair.Lasts)
	want(t, meet(second, phone), pair.ErrStale, "after ten minutes")
	third := h.code()
	h.clock.on(pair.Lasts - time.Second)
	want(t, meet(third, phone), nil, "just before ten minutes")
	want(t, meet(third, other), pair.ErrUsed, "another device with a code in use")
	_, err = h.desk.View(ctx, second)
	want(t, err, pair.ErrCode, "a view of an old code")
	fourth := h.code()
	want(t, h.desk.Close(ctx, third), nil, "closing the one before")
	want(t, meet(fourth, phone), nil, "the one before was closed, not this one")
	want(t, meet(fourth, phone), pair.ErrUsed, "another commitment of the same device")
	want(t, h.desk.Close(ctx, fourth), nil, "close")
	want(t, meet(fourth, phone), pair.ErrEnded, "a code that was closed")
	h.clock.on(10 * time.Second)
	h.join(phone, "pocket", "phone")
	h.clock.on(pair.Lasts)
	want(t, meet(h.code(), phone), pair.ErrThere, "a member")
}

func TestWrongDigitsTwice(t *testing.T) {
	h := newHouse(t)
	phone := newKey(t)
	code := h.code()
	m := h.meet(code, phone, "pocket", "phone")
	wrong := "000000"
	if m.Digits() == wrong {
		wrong = "000001"
	}
	want(t, h.desk.Confirm(ctx, code, wrong, h.key), pair.ErrDigits, "wrong once")
	if v, err := h.desk.View(ctx, code); err != nil || v.Phase != pair.Agreed || v.Left != 1 {
		t.Error(v, err)
	}
	want(t, h.desk.Confirm(ctx, code, wrong, h.key), pair.ErrDigits, "wrong twice")
	want(t, h.desk.Confirm(ctx, code, m.Digits(), h.key), pair.ErrEnded, "right, too late")
	_, err := m.Endorsement(ctx, "pocket", "phone")
	want(t, err, pair.ErrEnded, "the answer")
}

func TestNobodyIsAdmittedWithoutDigits(t *testing.T) {
	h := newHouse(t)
	code := h.code()
	want(t, h.desk.Confirm(ctx, code, "", h.key), pair.ErrMessage, "before anybody came")
	phone := newKey(t)
	m := h.meet(code, phone, "pocket", "phone")
	h.clock.on(pair.Lasts)
	want(t, h.desk.Confirm(ctx, code, m.Digits(), h.key), pair.ErrEnded, "after ten minutes")
	code = h.code()
	m = h.meet(code, phone, "pocket", "phone")
	stranger := newKey(t)
	want(t, h.desk.Confirm(ctx, code, m.Digits(), stranger), pair.ErrMessage, "with another key")
	second := &pair.Desk{Store: h.st, Shop: h.shop, Public: stranger.Public(), Now: h.clock.Now, Entropy: rand.Reader}
	_, err := second.Open(ctx, false)
	want(t, err, pair.ErrKeeper, "a desk that isn't the keeper's")
}

// Somebody in the middle who has the code, and even the desk's certificate, can't make both sides see the same digits.
func TestInTheMiddleTheDigitsDiffer(t *testing.T) {
	h := newHouse(t)
	middle := newHouse(t) // shows another shop's door under its own key
	codeOfDesk, codeOfMiddle := h.code(), middle.code()
	phone, fake := newKey(t), newKey(t)
	victim := middle.meet(codeOfMiddle, phone, "pocket", "phone")
	attacker := h.meet(codeOfDesk, fake, "pocket", "phone")
	if victim.Digits() == attacker.Digits() {
		t.Error("both see", victim.Digits())
	}
	want(t, h.desk.Confirm(ctx, codeOfDesk, victim.Digits(), h.key), pair.ErrDigits, "the phone's digits at the desk")
	// Each part of what was agreed on changes the digits.
	a := attacker.Agreement
	for i, change := range []func(*pair.Agreement){
		func(a *pair.Agreement) { a.Shop = middle.shop }, func(a *pair.Agreement) { a.DeskKey = middle.key.Public() },
		func(a *pair.Agreement) { a.JoinerKey = phone.Public() }, func(a *pair.Agreement) { a.DeskNonce = victim.DeskNonce },
		func(a *pair.Agreement) { a.JoinerNonce = victim.JoinerNonce },
	} {
		b := a
		change(&b)
		if b.Digits() == a.Digits() { // one in a million by chance
			t.Errorf("part %d doesn't change the digits", i)
		}
	}
	// Without the certificate that the code pins it doesn't come that far.
	_, err := h.client(middle.auth.Pin()).Meet(ctx, h.code(), newKey(t), "attic", "desk")
	want(t, err, authority.ErrPinned, "another certificate")
}

func TestDigitsOfAFixedAgreement(t *testing.T) {
	a := pair.Agreement{Shop: "s", DeskKey: "d", JoinerKey: "j", DeskNonce: "m", JoinerNonce: "n"}
	const want = "995470" // printf 'countback-pair-v1\ns\nd\nj\nm\nn' | sha256sum, its first 16 digits as a number, modulo 1000000
	if a.Digits() != want {
		t.Errorf("%s, want %s", a.Digits(), want)
	}
}

func TestFirstEventsThatArentTaken(t *testing.T) {
	h := newHouse(t)
	phone, stranger := newKey(t), newKey(t)
	good := h.join(phone, "pocket", "phone")
	c := h.client(h.auth.Pin())
	admit := func(k *key.Key, d event.Device) error {
		h.clock.on(1e9)
		d.Key = k.Public()
		return c.Admit(ctx, h.first(k, d))
	}
	endorse := func(by, k *key.Key, role string) string {
		sig, err := by.Sign(key.Admit, key.AdmitPayload(h.shop, k.Public(), role))
		if err != nil {
			t.Fatal(err)
		}
		return sig
	}
	own := h.key.Device()
	want(t, admit(stranger, event.Device{Name: "x", Role: "phone", By: own, Endorsement: endorse(stranger, stranger, "phone")}), pair.ErrFirst, "endorsed by itself in the desk's name")
	want(t, admit(stranger, event.Device{Name: "x", Role: "phone", By: phone.Device(), Endorsement: endorse(phone, stranger, "phone")}), pair.ErrFirst, "endorsed by a phone")
	want(t, admit(stranger, event.Device{Name: "x", Role: "desk", By: own, Endorsement: endorse(h.key, stranger, "phone")}), pair.ErrFirst, "admitted as a phone, joins as a desk")
	want(t, admit(stranger, event.Device{Name: "x", Role: "desk", By: own, Endorsement: endorse(h.key, stranger, "desk"), Succeeds: own}), pair.ErrFirst, "admitted, and takes the keeper's place")
	want(t, admit(stranger, event.Device{Name: "x", Role: "phone", By: own, Endorsement: endorse(h.key, phone, "phone")}), pair.ErrFirst, "another's endorsement")
	for i := 0; i < len(good); i += 7 {
		h.clock.on(1e9)
		flipped := append([]byte{}, good...)
		flipped[i] ^= 1
		want(t, c.Admit(ctx, flipped), pair.ErrFirst, "a flipped byte of its line")
	}
	again := h.first(phone, event.Device{Key: phone.Public(), Name: "other", Role: "phone", By: own, Endorsement: endorse(h.key, phone, "phone")})
	h.clock.on(1e9)
	want(t, c.Admit(ctx, again), pair.ErrFirst, "a second first event")
	h.revoke(phone.Device())
	h.clock.on(1e9)
	want(t, c.Admit(ctx, good), nil, "the old line once more changes nothing")
	if b, _ := h.members().Get(phone.Device()); !b.Revoked {
		t.Error("a revoked device came back")
	}
}

func TestDownload(t *testing.T) {
	h := newHouse(t)
	second := newKey(t)
	h.join(second, "attic", "desk")
	h.doors.Place = func() []byte { return []byte(`{"created":1}`) }
	fresh := memory.New()
	fetch := func(k *key.Key) error {
		h.clock.on(10e9)
		m, err := replicate.New(ctx, replicate.Config{Store: fresh, Key: second, Shop: h.shop, Desk: true})
		if err != nil {
			t.Fatal(err)
		}
		return h.client(h.auth.Pin()).Download(ctx, k, func(head handover.Head, p handover.Part) error {
			if head.Shop != h.shop || head.Device != h.key.Device() || p.Done && string(p.Place) != `{"created":1}` {
				t.Error(head, p.Place)
			}
			m.Step(h.clock.Now(), replicate.File{Lines: p.Lines, Receipts: p.Receipts})
			return nil
		})
	}
	want(t, fetch(newKey(t)), pair.ErrMember, "a stranger")
	want(t, fetch(second), nil, "a member")
	heads, err := h.st.Heads(ctx)
	if err != nil {
		t.Fatal(err)
	}
	got, err := fresh.Heads(ctx)
	if err != nil || len(got) != 2 || got[h.key.Device()] != heads[h.key.Device()] || got[second.Device()] != heads[second.Device()] {
		t.Error(got, err)
	}
	h.revoke(second.Device())
	want(t, fetch(second), pair.ErrMember, "a revoked member")
}

// A new desk from a hand-over file, and a device that survived: it makes the new one the keeper.
func TestRecovery(t *testing.T) {
	h := newHouse(t)
	phone := newKey(t)
	phoneLine := h.join(phone, "pocket", "phone")
	fresh := &house{t: t, clock: h.clock, st: memory.New(), key: newKey(t), shop: h.shop}
	if err := h.st.Scan(ctx, 0, func(r store.Row) error {
		e, err := event.ParseLine(append([]byte{}, r.Line...))
		if err != nil {
			return err
		}
		return fresh.st.Write(ctx, func(tx store.Tx) error { _, err := tx.Insert(e); return err })
	}); err != nil {
		t.Fatal(err)
	}
	fresh.open()
	code, err := fresh.desk.Open(ctx, true)
	if err != nil {
		t.Fatal(err)
	}
	lost := h.key.Device()
	c := fresh.client(fresh.auth.Pin())
	_, err = c.Meet(ctx, code, newKey(t), "x", "phone")
	want(t, err, pair.ErrMember, "a stranger")
	m, err := c.Meet(ctx, code, phone, "pocket", "phone")
	if err != nil {
		t.Fatal(err)
	}
	v, err := fresh.desk.View(ctx, code)
	if err != nil || v.Digits != m.Digits() || v.Phase != pair.Agreed {
		t.Error("the new desk shows", v.Digits, "the phone asks for", m.Digits(), err)
	}
	want(t, fresh.desk.Confirm(ctx, code, m.Digits(), fresh.key), pair.ErrKeeper, "a new desk can't confirm for itself")
	want(t, m.Recover(ctx, phone, phone.Device()), pair.ErrProof, "in the place of a device that isn't the keeper")
	want(t, m.Recover(ctx, newKey(t), lost), pair.ErrProof, "signed by another key")
	for range 2 {
		want(t, m.Recover(ctx, phone, lost), nil, "the endorsement")
	}
	v, err = fresh.desk.View(ctx, code)
	if err != nil || v.Phase != pair.Decided || v.By != phone.Device() || v.Succeeds != lost {
		t.Fatal(v, err)
	}
	line := fresh.first(fresh.key, event.Device{Key: fresh.key.Public(), Name: "desk", Role: "desk", By: v.By, Endorsement: v.Endorsement, Succeeds: v.Succeeds})
	e, err := event.ParseLine(line)
	if err != nil {
		t.Fatal(err)
	}
	members := h.members()
	members.Add(e)
	if members.Keeper() != fresh.key.Device() {
		t.Error("the keeper is", members.Keeper())
	}
	code, err = fresh.desk.Open(ctx, true)
	if err != nil {
		t.Fatal(err)
	}
	h.clock.on(10e9)
	if m, err = c.Meet(ctx, code, phone, "pocket", "phone"); err != nil {
		t.Fatal(err)
	}
	want(t, m.Refuse(ctx), nil, "refused")
	want(t, m.Recover(ctx, phone, lost), pair.ErrEnded, "after it was refused")

	// The old desk was stolen. Its key admits nobody any more.
	if err := fresh.st.Write(ctx, func(tx store.Tx) error { _, err := tx.Insert(e); return err }); err != nil {
		t.Fatal(err)
	}
	fresh.revoke(lost)
	for _, by := range []*key.Key{h.key, fresh.key} {
		k := newKey(t)
		sig, err := by.Sign(key.Admit, key.AdmitPayload(h.shop, k.Public(), "phone"))
		if err != nil {
			t.Fatal(err)
		}
		wanted := error(nil)
		if by == h.key {
			wanted = pair.ErrFirst
		}
		h.clock.on(10e9)
		want(t, c.Admit(ctx, fresh.first(k, event.Device{Key: k.Public(), Name: "x", Role: "phone", By: by.Device(), Endorsement: sig})), wanted, "a new device, endorsed by "+by.Device())
	}
	h.clock.on(10e9)
	want(t, c.Admit(ctx, phoneLine), nil, "whom it has admitted before, once more")
}

// A desk that is a member learns where else it may go, and uses no code up.
func TestWhoseDoorItIs(t *testing.T) {
	h := newHouse(t)
	c := h.client(h.auth.Pin())
	code := h.code()
	for range 2 {
		if shop, device, err := c.Desk(ctx, code); err != nil || shop != h.shop || device != h.key.Device() {
			t.Error(shop, device, err)
		}
	}
	never, err := pair.NewCode(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	_, _, err = c.Desk(ctx, never)
	want(t, err, pair.ErrCode, "a wrong code")
	h.meet(code, newKey(t), "pocket", "phone")
	_, _, err = c.Desk(ctx, code)
	want(t, err, pair.ErrUsed, "a code in use")
	next := h.code()
	h.clock.on(pair.Lasts)
	_, _, err = c.Desk(ctx, next)
	want(t, err, pair.ErrStale, "after ten minutes")
}

// A network that comes and goes costs nobody a pairing.
func TestAPairingOutlastsAWeakNetwork(t *testing.T) {
	h := newHouse(t)
	phone := newKey(t)
	weak := &weakNetwork{RoundTripper: &http.Transport{TLSClientConfig: authority.Pinned(h.auth.Pin(), h.clock.Now)}}
	c := pair.NewClientOver(&http.Client{Transport: weak}, h.base, h.clock.Now, func(context.Context, time.Duration) error {
		h.clock.on(time.Second)
		weak.left--
		return nil
	}, rand.Reader)
	defer c.Close()
	code := h.code()
	m, err := c.Meet(ctx, code, phone, "pocket", "phone")
	if err != nil {
		t.Fatal(err)
	}
	want(t, h.desk.Confirm(ctx, code, m.Digits(), h.key), nil, "the digits")
	weak.left = 10
	device, err := m.Endorsement(ctx, "pocket", "phone")
	if err != nil {
		t.Fatal(err)
	}
	weak.left = 10
	want(t, c.Admit(ctx, h.first(phone, device)), nil, "the first event")
	weak.left = 10
	want(t, c.Download(ctx, phone, func(handover.Head, handover.Part) error { return nil }), nil, "the download")
	weak.left = 100
	_, err = m.Endorsement(ctx, "pocket", "phone")
	want(t, err, pair.ErrReach, "a network that stays away")
}

// weakNetwork loses requests, as long as it is weak.
type weakNetwork struct {
	http.RoundTripper
	left int
}

func (w *weakNetwork) RoundTrip(r *http.Request) (*http.Response, error) {
	if w.left > 0 {
		return nil, errors.New("no network")
	}
	return w.RoundTripper.RoundTrip(r)
}

func TestLinks(t *testing.T) {
	h := newHouse(t)
	for _, back := range []bool{false, true} {
		l := pair.Link{Base: "https://countback-test.local:8765", Code: h.code(), Pin: h.auth.Pin(), Recover: back}
		text := l.Text()
		for _, form := range []string{text, " " + text + "\n", strings.TrimPrefix(text, "https://")} {
			got, err := pair.ParseLink(form)
			if err != nil || got.Text() != text {
				t.Error(form, err)
			}
		}
		for _, bad := range []string{"", "x", strings.Replace(text, "https", "http", 1), text[:len(text)-1], text + "a", strings.Replace(text, "#", "#x", 1), strings.ToUpper(text),
			strings.Replace(text, "/#", "/?a=1#", 1), strings.Replace(text, "//", "//me:pass@", 1), strings.Replace(text, "/#", "/other#", 1)} {
			if _, err := pair.ParseLink(bad); err == nil || strings.Contains(err.Error(), l.Code.Text()) {
				t.Errorf("%q: %v", bad, err)
			}
		}
	}
}
