package event_test

import (
	"bytes"
	"crypto/ed25519"
	"encoding/base64"
	"encoding/hex"
	"os"
	"strconv"
	"strings"

	"pgregory.net/rapid"

	"countback/ledger/event"
	"countback/ledger/num"
)

// full reports whether the long run was asked for.
func full() bool { return os.Getenv("COUNTBACK_FULL") == "1" }

// Generators of valid data, one for each kind. They lean towards the edges: longest names, smallest and largest numbers, every optional field both ways.

const base32Lower = "abcdefghijklmnopqrstuvwxyz234567"

var (
	inner = []rune("abzAZ09 -_.,'\"\\/<>&%+=:#éßñ\u00a0\u0301日本😀\ufeff\u007e")
	outer = []rune(strings.ReplaceAll(string(inner), " ", ""))
)

func genText(most int) *rapid.Generator[string] {
	return rapid.Custom(func(t *rapid.T) string {
		n := rapid.OneOf(rapid.IntRange(1, min(most, 12)), rapid.Just(most)).Draw(t, "length")
		if n > 12 { // long text need not be varied
			return strings.Repeat(string(rapid.SampledFrom(outer).Draw(t, "char")), n)
		}
		r := make([]rune, n)
		for i := range r {
			from := inner
			if i == 0 || i == n-1 {
				from = outer
			}
			r[i] = rapid.SampledFrom(from).Draw(t, "char")
		}
		return string(r)
	})
}

func genChars(alphabet string, n int) *rapid.Generator[string] {
	return rapid.Custom(func(t *rapid.T) string {
		var b strings.Builder
		for range n {
			b.WriteByte(alphabet[rapid.IntRange(0, len(alphabet)-1).Draw(t, "char")])
		}
		return b.String()
	})
}

var (
	genName   = genText(event.MaxName)
	genNote   = genText(event.MaxText)
	genDevice = genChars(base32Lower, 26)
	genHash   = genChars("0123456789abcdef", 64)
	genSig    = rapid.Custom(func(t *rapid.T) string {
		return base64.RawURLEncoding.EncodeToString(rapid.SliceOfN(rapid.Byte(), 64, 64).Draw(t, "sig"))
	})
	genNkey = rapid.Custom(func(t *rapid.T) string { return "U" + genChars(strings.ToUpper(base32Lower), 55).Draw(t, "key") })
	genID   = rapid.Custom(func(t *rapid.T) event.ID {
		id := event.ID(rapid.SliceOfN(rapid.Byte(), 16, 16).Draw(t, "id"))
		id[15] |= 1 // never the zero id
		return id
	})
	genTime = rapid.Custom(func(t *rapid.T) event.Time {
		v, err := event.ParseTime(genTimeText.Draw(t, "time"))
		if err != nil {
			t.Fatal(err)
		}
		return v
	})
	genTimeText = rapid.Custom(func(t *rapid.T) string {
		day := rapid.SampledFrom([]string{"2026-03-02", "2024-02-29", "1999-12-31", "0000-01-01", "9999-12-31", "1970-01-01"}).Draw(t, "day")
		clock := rapid.SampledFrom([]string{"00:00:00", "09:30:00", "23:59:59", "23:59:59.9", "12:00:00.05", "12:00:00.120", "12:00:00.999"}).Draw(t, "clock")
		return day + "T" + clock + rapid.SampledFrom([]string{"Z", "-04:00", "+05:45", "+00:00", "-00:00", "+23:59", "-12:00"}).Draw(t, "offset")
	})
	genDay  = rapid.SampledFrom([]event.Date{"2026-03-02", "2024-02-29", "0000-01-01", "9999-12-31"})
	genQty  = rapid.Map(digits(18), num.QtyMillionths) // above 0
	genQty0 = rapid.OneOf(genQty, rapid.Just(num.Qty{}))
	genQtyS = rapid.Map(rapid.OneOf(digits(18), rapid.Map(digits(18), negative)), num.QtyMillionths)
	// Counted in millionths, so that whole pieces stay within 12 digits.
	genPieces = rapid.Map(digits(12), num.Whole)
	genMoney0 = rapid.Map(rapid.OneOf(digits(18), rapid.Just[int64](0)), num.MoneyUnits)
	genMoneyS = rapid.Map(rapid.OneOf(digits(18), rapid.Just[int64](0), rapid.Map(digits(18), negative)), num.MoneyUnits)
	genRate   = rapid.Custom(func(t *rapid.T) num.Rate {
		n := digits(18).Draw(t, "rate")
		s := strconv.FormatInt(n, 10)
		if len(s) <= 10 {
			s = strings.Repeat("0", 11-len(s)) + s
		}
		r, err := num.ParseRate(s[:len(s)-10] + "." + s[len(s)-10:])
		if err != nil {
			t.Fatal(err)
		}
		return r
	})
	genTolerance = rapid.Custom(func(t *rapid.T) event.Tolerance {
		return event.Tolerance{Value: genQty.Draw(t, "value"), Percent: rapid.Bool().Draw(t, "percent")}
	})
	genGoods = rapid.Custom(func(t *rapid.T) event.Goods {
		return event.Goods{Item: genName.Draw(t, "item"), Qty: genPieces.Draw(t, "qty")}
	})
	genChange = rapid.Custom(func(t *rapid.T) event.Change {
		c := event.Change{Item: genName.Draw(t, "item"), Measure: maybe(t, "measure", genName)}
		if rapid.Bool().Draw(t, "total") {
			v := genQty0.Draw(t, "total")
			c.Total, c.InsteadOf = &v, maybe(t, "instead_of", genName)
		} else {
			v := genQtyS.Draw(t, "qty")
			c.Qty = &v
		}
		return c
	})
)

func negative(n int64) int64 { return -n }

// digits draws a number above 0 of at most n digits; every length is as likely, and so are round numbers.
func digits(n int) *rapid.Generator[int64] {
	return rapid.Custom(func(t *rapid.T) int64 {
		most := int64(1)
		for range rapid.IntRange(1, n).Draw(t, "digits") {
			most *= 10
		}
		return rapid.OneOf(rapid.Int64Range(1, most-1), rapid.Just(most-1), rapid.Just(most/10)).Draw(t, "number")
	})
}

// maybe draws a value or the zero value.
func maybe[T any](t *rapid.T, label string, g *rapid.Generator[T]) T {
	var zero T
	if rapid.Bool().Draw(t, "has "+label) {
		return g.Draw(t, label)
	}
	return zero
}

func maybeP[T any](t *rapid.T, label string, g *rapid.Generator[T]) *T {
	if rapid.Bool().Draw(t, "has "+label) {
		v := g.Draw(t, label)
		return &v
	}
	return nil
}

func point[T any](v T) *T { return &v }

func list[T any](g *rapid.Generator[T]) *rapid.Generator[[]T] { return rapid.SliceOfN(g, 1, 3) }

func genLine(per ...string) *rapid.Generator[event.Line] {
	return rapid.Custom(func(t *rapid.T) event.Line {
		l := event.Line{Item: genName.Draw(t, "item"), Qty: genQty.Draw(t, "qty"), Per: rapid.SampledFrom(per).Draw(t, "per"), Every: maybeP(t, "every", genQty)}
		l.Measure, l.Pack = measureOrPack(t)
		if per[0] == "cycle" {
			return l
		}
		l.Class, l.Good, l.Option = maybe(t, "class", genName), maybe(t, "good", genName), maybe(t, "option", genName)
		l.Zones, l.From, l.To = maybe(t, "zones", list(genName)), maybeP(t, "from", genQty), maybeP(t, "to", genQty)
		return l
	})
}

func measureOrPack(t *rapid.T) (measure, pack string) {
	switch rapid.IntRange(0, 2).Draw(t, "in") {
	case 1:
		return genName.Draw(t, "measure"), ""
	case 2:
		return "", genName.Draw(t, "pack")
	}
	return "", ""
}

// genData draws valid data of a kind.
func genData(kind event.Kind) *rapid.Generator[event.Data] {
	return rapid.Custom(func(t *rapid.T) event.Data {
		name := func(l string) string { return genName.Draw(t, l) }
		opt := func(l string) string { return maybe(t, l, genName) }
		note := maybe(t, "note", genNote)
		switch kind {
		case event.KindShop:
			return &event.Shop{Name: opt("name"), Currency: maybe(t, "currency", genChars("ABCXYZ", 3)),
				Zone:    maybe(t, "zone", rapid.SampledFrom([]string{"America/Halifax", "Etc/GMT+3", "UTC", "Europe/Isle_of-Man"})),
				Costing: maybe(t, "costing", rapid.SampledFrom([]string{"average", "fifo"})), Keeper: maybe(t, "keeper", genDevice), Note: note}
		case event.KindItem:
			return genItem(t)
		case event.KindRetire:
			return &event.Retire{Item: name("item"), Note: note}
		case event.KindPackSpec:
			format := rapid.Custom(func(t *rapid.T) event.Format {
				return event.Format{Format: genName.Draw(t, "format"), Accepts: maybe(t, "accepts", list(genName)), Holds: maybeP(t, "holds", genQty),
					Lines: maybe(t, "lines", list(genLine("parcel", "unit", "order")))}
			})
			return &event.PackSpec{Lines: maybe(t, "lines", list(genLine("order", "unit"))), Formats: list(format).Draw(t, "formats"), Restates: maybe(t, "restates", genID), Note: note}
		case event.KindMakeSpec:
			share := rapid.Map(rapid.Int64Range(0, 1_000_000), num.QtyMillionths)
			return &event.MakeSpec{Item: name("item"), Pieces: genQty.Draw(t, "pieces"), Lines: list(genLine("cycle", "piece")).Draw(t, "lines"),
				NormalSpoilage: maybeP(t, "normal_spoilage", share), Restates: maybe(t, "restates", genID), Note: note}
		case event.KindOrder:
			return &event.Order{Order: name("order"), Zone: name("zone"), Lines: list(genGoods).Draw(t, "lines"), Options: maybe(t, "options", list(genName)),
				Value: maybeP(t, "value", genMoney0), Shipping: maybeP(t, "shipping", genMoney0), Note: note}
		case event.KindPack:
			return genPack(t)
		case event.KindReturn:
			line := rapid.Custom(func(t *rapid.T) event.ReturnLine {
				return event.ReturnLine{Item: genName.Draw(t, "item"), Qty: genPieces.Draw(t, "qty"), Condition: rapid.SampledFrom([]string{"saleable", "scrap"}).Draw(t, "condition")}
			})
			return &event.Return{Order: name("order"), Lines: list(line).Draw(t, "lines"), Note: note}
		case event.KindPurchase:
			line := rapid.Custom(func(t *rapid.T) event.PurchaseLine {
				return event.PurchaseLine{Item: genName.Draw(t, "item"), Qty: genQty.Draw(t, "qty"), Pack: maybe(t, "pack", genName), Cost: maybeP(t, "cost", genMoney0)}
			})
			return &event.Purchase{Supplier: name("supplier"), Ref: opt("ref"), Due: maybe(t, "due", genDay), Lines: list(line).Draw(t, "lines"), Note: note}
		case event.KindRestock:
			return genRestock(t)
		case event.KindCredit:
			line := rapid.Custom(func(t *rapid.T) event.CreditLine {
				return event.CreditLine{Item: genName.Draw(t, "item"), Qty: maybeP(t, "qty", genQty), Amount: point(genMoneyS.Draw(t, "amount"))}
			})
			d := &event.Credit{Restock: genID.Draw(t, "restock"), Lines: list(line).Draw(t, "lines"), Reason: maybe(t, "reason", genNote), Note: note}
			d.Currency, d.Rate = currencyAndRate(t)
			return d
		case event.KindReprint:
			d := &event.Reprint{Item: name("item"), Good: point(genQty0.Draw(t, "good")), Spoiled: point(genQty0.Draw(t, "spoiled")), Cycles: maybeP(t, "cycles", genQty),
				Changes: maybe(t, "changes", list(genChange)), Order: opt("order"), Reason: maybe(t, "reason", genNote), Spec: maybe(t, "spec", genID), Note: note}
			if d.Good.IsZero() && d.Spoiled.IsZero() {
				d.Good = point(num.Whole(1))
			}
			return d
		case event.KindDamage:
			reason := rapid.SampledFrom([]string{"damaged", "spoiled", "expired", "sample", "gift", "own_use", "other"})
			return &event.Damage{Item: name("item"), Qty: genQty.Draw(t, "qty"), Measure: opt("measure"), Reason: reason.Draw(t, "reason"), Note: note, Order: opt("order")}
		case event.KindCount:
			return genCount(t)
		case event.KindReverse:
			return &event.Reverse{Event: genID.Draw(t, "event"), Reason: genNote.Draw(t, "reason"), Note: note}
		case event.KindDecide:
			return &event.Decide{Event: genID.Draw(t, "event"), Keep: point(rapid.Bool().Draw(t, "keep")), Reason: maybe(t, "reason", genNote), Note: note}
		case event.KindClose:
			head := rapid.Custom(func(t *rapid.T) event.LogHead {
				return event.LogHead{Seq: rapid.Int64Range(1, event.MaxSeq).Draw(t, "seq"), Hash: genHash.Draw(t, "hash")}
			})
			return &event.Close{Period: rapid.SampledFrom([]string{"2026-03", "0000-01", "9999-12"}).Draw(t, "period"), Upto: rapid.MapOfN(genDevice, head, 1, 3).Draw(t, "upto"),
				Digest: event.Digests{Average: genHash.Draw(t, "average"), FIFO: genHash.Draw(t, "fifo")}, Engine: name("engine"), Accepted: maybe(t, "accepted", list(genID))}
		case event.KindDevice:
			return &event.Device{Key: genNkey.Draw(t, "key"), Name: name("name"), Role: rapid.SampledFrom([]string{"desk", "phone"}).Draw(t, "role"), By: genDevice.Draw(t, "by"),
				Endorsement: genSig.Draw(t, "endorsement"), Succeeds: maybe(t, "succeeds", genDevice)}
		case event.KindRevoke:
			return &event.Revoke{Device: genDevice.Draw(t, "device"), Last: rapid.Int64Range(1, event.MaxSeq).Draw(t, "last"), Hash: genHash.Draw(t, "hash"), Reason: genNote.Draw(t, "reason")}
		}
		t.Fatalf("no generator for the kind %s; write one", kind)
		return nil
	})
}

func currencyAndRate(t *rapid.T) (string, *num.Rate) {
	if !rapid.Bool().Draw(t, "foreign") {
		return "", nil
	}
	return genChars("ABCXYZ", 3).Draw(t, "currency"), point(genRate.Draw(t, "rate"))
}

func genItem(t *rapid.T) event.Data {
	units := rapid.MapOfN(genName, genQty, 0, 2)
	days := rapid.IntRange(0, 3650)
	part := rapid.Custom(func(t *rapid.T) event.Part {
		return event.Part{Item: genName.Draw(t, "item"), Qty: genQty.Draw(t, "qty")}
	})
	opt := func(l string) string { return maybe(t, l, genName) }
	return &event.Item{Item: genName.Draw(t, "item"), Name: opt("name"), Type: maybe(t, "type", rapid.SampledFrom([]string{"good", "supply", "prepared"})),
		Unit: maybe(t, "unit", rapid.SampledFrom([]string{"each", "mm", "g", "ml"})), Packs: maybe(t, "packs", units), Measures: maybe(t, "measures", units),
		Class: opt("class"), Points: maybeP(t, "points", genQty0), Place: opt("place"), Supplier: opt("supplier"),
		LeadDays: maybeP(t, "lead_days", days), LeadDaysMax: maybeP(t, "lead_days_max", days), Tolerance: maybeP(t, "tolerance", genTolerance),
		PieceWeight: maybeP(t, "piece_weight", genQty), UnitCost: maybeP(t, "unit_cost", genMoney0), Barcode: opt("barcode"), Price: maybeP(t, "price", genMoney0),
		Parts: maybe(t, "parts", list(part)), Restates: maybe(t, "restates", genID), Note: maybe(t, "note", genNote)}
}

func genPack(t *rapid.T) event.Data {
	parcel := rapid.Custom(func(t *rapid.T) event.Parcel {
		return event.Parcel{Format: genName.Draw(t, "format"), Lines: list(genGoods).Draw(t, "lines")}
	})
	d := &event.Pack{Order: genName.Draw(t, "order"), Zone: maybe(t, "zone", genName), Lines: maybe(t, "lines", list(genGoods)), Options: maybe(t, "options", list(genName)),
		Changes: maybe(t, "changes", list(genChange)), Postage: maybeP(t, "postage", genMoney0), Resend: maybeP(t, "resend", rapid.Just(true)),
		Spec: maybe(t, "spec", genID), Note: maybe(t, "note", genNote)}
	if rapid.Bool().Draw(t, "joined") {
		d.Joined = genName.Draw(t, "joined")
	} else {
		d.Parcels = maybe(t, "parcels", list(parcel))
	}
	return d
}

func genRestock(t *rapid.T) event.Data {
	line := rapid.Custom(func(t *rapid.T) event.RestockLine {
		l := event.RestockLine{Item: genName.Draw(t, "item"), Qty: point(genQty.Draw(t, "qty")), Pack: maybe(t, "pack", genName), Expected: maybeP(t, "expected", genQty),
			Cost: point(genMoney0.Draw(t, "cost"))}
		if l.Expected != nil && rapid.Bool().Draw(t, "nothing came") {
			l.Qty = new(num.Qty)
		}
		return l
	})
	d := &event.Restock{Supplier: maybe(t, "supplier", genName), Ref: maybe(t, "ref", genName), Purchase: maybe(t, "purchase", genID), Final: maybeP(t, "final", rapid.Just(true)),
		Lines: list(line).Draw(t, "lines"), Freight: maybeP(t, "freight", genMoney0), Duty: maybeP(t, "duty", genMoney0), Tax: maybeP(t, "tax", genMoney0),
		Discount: maybeP(t, "discount", genMoney0), Note: maybe(t, "note", genNote)}
	d.Currency, d.Rate = currencyAndRate(t)
	return d
}

func genCount(t *rapid.T) event.Data {
	d := &event.Count{Item: genName.Draw(t, "item"), Place: maybe(t, "place", genName), Session: maybe(t, "session", genName), Tolerance: maybeP(t, "tolerance", genTolerance),
		Cost: maybeP(t, "cost", genMoney0), Note: maybe(t, "note", genNote)}
	if rapid.Bool().Draw(t, "by weight") {
		d.Gross, d.Tare = point(genQty.Draw(t, "gross")), point(genQty0.Draw(t, "tare"))
		d.WeightUnit = rapid.SampledFrom([]string{"g", "kg", "oz", "lb"}).Draw(t, "weight_unit")
	} else {
		d.Qty = point(genQty0.Draw(t, "qty"))
		d.Measure, d.Pack = measureOrPack(t)
	}
	return d
}

func genUnsigned(kind event.Kind) *rapid.Generator[*event.Unsigned] {
	return rapid.Custom(func(t *rapid.T) *event.Unsigned {
		return &event.Unsigned{ID: genID.Draw(t, "id"), Shop: genDevice.Draw(t, "shop"), Device: genDevice.Draw(t, "device"), Time: genTime.Draw(t, "time"),
			Seq: rapid.Int64Range(1, event.MaxSeq).Draw(t, "devseq"), Prev: genHash.Draw(t, "prevhash"), Person: maybe(t, "person", genName), Data: genData(kind).Draw(t, "data")}
	})
}

// RFC 8032, section 7.1, test 1: the secret key (read in the Go distribution, crypto/ed25519/testdata).
const rfc8032Secret = "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60"

func testKey() ed25519.PrivateKey {
	b, err := hex.DecodeString(rfc8032Secret)
	if err != nil {
		panic(err)
	}
	return ed25519.NewKeyFromSeed(b)
}

// fatal is what tests, properties and fuzz targets have in common.
type fatal interface {
	Helper()
	Fatal(...any)
	Fatalf(string, ...any)
	Errorf(string, ...any)
}

func seal(t fatal, u *event.Unsigned) []byte {
	t.Helper()
	head, err := u.Head()
	if err != nil {
		t.Fatalf("Head: %v", err)
	}
	line, err := event.Seal(head, base64.RawURLEncoding.EncodeToString(ed25519.Sign(testKey(), event.SigningInput(head))))
	if err != nil {
		t.Fatalf("Seal: %v", err)
	}
	return line
}

// examples returns testdata/events/data.txt as kind and data: at least one valid example of every kind.
func examples(t fatal) map[event.Kind][][]byte {
	t.Helper()
	file, err := os.ReadFile("../../testdata/events/data.txt")
	if err != nil {
		t.Fatal(err)
	}
	all := map[event.Kind][][]byte{}
	for line := range bytes.Lines(file) {
		kind, data, ok := bytes.Cut(bytes.TrimSpace(line), []byte(" "))
		if !ok {
			t.Fatalf("data.txt: %q isn't a kind and its data", line)
		}
		all[event.Kind(kind)] = append(all[event.Kind(kind)], data)
	}
	return all
}
