package main

import (
	"bytes"
	"database/sql"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"testing"

	_ "modernc.org/sqlite"

	"countback/ledger/num"
)

const (
	realOrders = "../../testdata/orders/online-retail-2010-12-20-to-23.csv"
	realMap    = "../../testdata/orders/online-retail.map"
)

// realSpec packs the real orders: letters for up to three pieces, parcels for more, and what depends on the number of pieces, on one good and on the zone.
const realSpec = `{
  "lines": [
    {"item": "form", "qty": "2", "per": "order", "zones": ["abroad"]},
    {"item": "tissue", "qty": "1", "per": "unit"},
    {"item": "sleeve", "qty": "1", "per": "unit", "good": "22086"}
  ],
  "formats": [
    {"format": "letter", "holds": "3", "lines": [{"item": "envelope", "qty": "1", "per": "parcel"}]},
    {"format": "parcel", "lines": [
      {"item": "box", "qty": "1", "per": "parcel"},
      {"item": "tape", "qty": "1", "measure": "strip", "per": "parcel", "zones": ["home"]},
      {"item": "tape", "qty": "2", "measure": "strip", "per": "parcel", "zones": ["abroad"]},
      {"item": "paper", "qty": "1", "per": "parcel", "from": "10", "to": "99"},
      {"item": "paper", "qty": "3", "per": "parcel", "from": "100"},
      {"item": "filler", "qty": "1", "per": "parcel", "every": "12"}]}]}`

// realUse is SQL for what realSpec takes, by item, from the table packed: a line of an order with its zone. It shares nothing with the program.
const realUse = `
	WITH orders AS (SELECT invoice, zone, sum(quantity) AS units FROM packed GROUP BY invoice, zone),
	     parcels AS (SELECT * FROM orders WHERE units > 3)
	SELECT item, sum(quantity) FROM packed GROUP BY item
	UNION ALL SELECT 'form', 2 * count(*) FROM orders WHERE zone = 'abroad'
	UNION ALL SELECT 'tissue', sum(units) FROM orders
	UNION ALL SELECT 'sleeve', sum(quantity) FROM packed WHERE item = '22086'
	UNION ALL SELECT 'envelope', count(*) FROM orders WHERE units <= 3
	UNION ALL SELECT 'box', count(*) FROM parcels
	UNION ALL SELECT 'tape', sum(CASE zone WHEN 'home' THEN 1500 ELSE 3000 END) FROM parcels
	UNION ALL SELECT 'paper', sum(CASE WHEN units >= 100 THEN 3 WHEN units >= 10 THEN 1 ELSE 0 END) FROM parcels
	UNION ALL SELECT 'filler', sum((units + 11) / 12) FROM parcels`

// realGoods is SQL for what the map takes for goods.
const realGoods = ` unit_price <> 0 AND item NOT IN ('POST','DOT','C2','M','m','D','S','BANK CHARGES') AND item NOT LIKE 'gift\_%' ESCAPE '\' `

// realRows loads the file, as it is, into a table of SQLite: the independent way to count.
func realRows(t *testing.T) *sql.DB {
	t.Helper()
	db, err := sql.Open("sqlite", ":memory:")
	if err != nil {
		t.Fatal(err)
	}
	db.SetMaxOpenConns(1)
	t.Cleanup(func() { db.Close() })
	file, err := os.ReadFile(realOrders)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(file)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	tx, err := db.Begin()
	if err != nil {
		t.Fatal(err)
	}
	must := func(query string, args ...any) {
		if _, err := tx.Exec(query, args...); err != nil {
			t.Fatal(err)
		}
	}
	must(`CREATE TABLE raw (invoice TEXT, time TEXT, item TEXT, quantity INTEGER, unit_price REAL, country TEXT)`)
	for _, r := range rows[1:] {
		must(`INSERT INTO raw VALUES (?,?,?,?,?,?)`, r[0], r[1], r[2], r[3], r[4], r[5])
	}
	must(`CREATE VIEW goods AS SELECT invoice, CASE country WHEN 'United Kingdom' THEN 'home' ELSE 'abroad' END AS zone, item, quantity FROM raw WHERE` + realGoods)
	must(`CREATE TABLE packed AS SELECT * FROM goods WHERE invoice NOT LIKE 'C%'`)
	// A cancellation names no order. Its number without the C stands for an order from before the file, of which half comes back.
	must(`CREATE VIEW earlier AS SELECT substr(invoice, 2) AS invoice, zone, item, -2 * quantity AS quantity FROM goods WHERE invoice LIKE 'C%'`)
	if err := tx.Commit(); err != nil {
		t.Fatal(err)
	}
	return db
}

// figures runs a query that gives names and whole numbers.
func figures(t *testing.T, db *sql.DB, query string) map[string]int64 {
	t.Helper()
	rows, err := db.Query(query)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	m := map[string]int64{}
	for rows.Next() {
		var name string
		var n int64
		if err := rows.Scan(&name, &n); err != nil {
			t.Fatal(err)
		}
		m[name] += n
	}
	if len(m) == 0 {
		t.Fatal("SQL finds nothing: ", query)
	}
	return m
}

// agree compares figures by name; one that SQL doesn't have is 0.
func agree(t *testing.T, what string, got map[string]string, want map[string]int64) {
	t.Helper()
	for name := range want {
		if _, ok := got[name]; !ok && want[name] != 0 {
			t.Errorf("%s of %s: nothing, SQL says %d", what, name, want[name])
		}
	}
	for name, q := range got {
		if num.MustQty(q).Cmp(num.Whole(want[name])) != 0 {
			t.Errorf("%s of %s: %s, SQL says %d", what, name, q, want[name])
		}
	}
}

const (
	realStock = 400 // of every good, so that some end below zero
	realRoll  = 50_000_000
)

// realShop has the goods of the file, at 25 cents each, and a few supplies.
func realShop(t *testing.T, db *sql.DB) *bench {
	b := newBench(t)
	b.must("init", "--shop", "Fennimoor Paper", "--currency", "CAD", "--zone", "America/Halifax")
	var items, facts strings.Builder
	items.WriteString("item,name,type,unit,measures\n")
	stock := func(item string, n int) {
		fmt.Fprintf(&facts, `{"kind":"restock","time":"2010-12-02T00:00:00-04:00","data":{"lines":[{"item":"%s","qty":"%d","cost":"%d.%02d"}]}}`+"\n", item, n, n/4, n%4*25)
	}
	for item := range figures(t, db, `SELECT item, 1 FROM goods`) {
		fmt.Fprintf(&items, "%s,Good %s,good,each,\n", item, item)
		stock(item, realStock)
	}
	for item := range strings.FieldsSeq("form tissue sleeve envelope box paper filler") {
		fmt.Fprintf(&items, "%s,The %s,supply,each,\n", item, item)
		stock(item, realRoll)
	}
	items.WriteString("tape,Tape,supply,mm,strip=1.5 m\n")
	stock("tape", realRoll)
	b.must("import", "catalog", b.file("items.csv", items.String()), "--at", "2010-12-01")
	b.must("record", b.file("stock.jsonl", facts.String()))
	b.must("packspec", b.file("spec.json", realSpec), "--at", "2010-12-01")
	return b
}

// decoded is what a command prints as JSON.
func decoded[T any](b *bench, args ...string) (v T) {
	b.t.Helper()
	if err := json.Unmarshal([]byte(b.must(append(args, "--json")...)), &v); err != nil {
		b.t.Fatal(err)
	}
	return v
}

type realStockReport struct {
	Items []struct {
		Item   string
		OnHand string `json:"on_hand"`
	}
}

type realCostReport struct {
	Orders []struct {
		Order, Zone, Goods string
		Parcels            int64
		Lines              []struct{ Item, Qty string }
	}
}

// compareReal compares on hand, use, orders, their zones and what their goods cost with SQL over the raw file. back is SQL for what came back of each item.
func compareReal(t *testing.T, b *bench, db *sql.DB, back string) {
	t.Helper()
	used, returned := figures(t, db, realUse), map[string]int64{}
	if back != "" {
		returned = figures(t, db, back)
	}
	onHand, use, left := map[string]string{}, map[string]string{}, map[string]int64{}
	for _, i := range decoded[realStockReport](b, "stock").Items {
		onHand[i.Item] = i.OnHand
		left[i.Item] = realStock - used[i.Item] + returned[i.Item]
	}
	for item := range strings.FieldsSeq("form tissue sleeve envelope box paper filler tape") {
		left[item] += realRoll - realStock
	}
	agree(t, "on hand", onHand, left)
	for item := range returned {
		used[item] -= returned[item]
	}
	sum := map[string]num.Qty{}
	zones, parcels, goods := map[string]string{}, map[string]string{}, map[string]string{}
	report := decoded[realCostReport](b, "cost", "--exact")
	for _, o := range report.Orders {
		zones[o.Order+" "+o.Zone], parcels[o.Order] = "1", fmt.Sprint(o.Parcels)
		goods[o.Order] = num.MustQty(strings.TrimSuffix(o.Goods, "00")).Times(num.Whole(4)).String() // pieces, at 25 cents
		for _, l := range o.Lines {
			sum[l.Item] = sum[l.Item].Add(num.MustQty(l.Qty))
		}
	}
	for item, q := range sum {
		use[item] = q.String()
	}
	agree(t, "use", use, used)
	orders := figures(t, db, `SELECT DISTINCT invoice || ' ' || zone, 1 FROM packed`)
	if len(orders) != len(report.Orders) {
		t.Errorf("%d orders, SQL says %d", len(report.Orders), len(orders))
	}
	agree(t, "order", zones, orders)
	agree(t, "parcels", parcels, figures(t, db, `SELECT DISTINCT invoice, 1 FROM packed`))
	net := `SELECT invoice, quantity FROM packed`
	if back != "" {
		net += ` UNION ALL SELECT substr(invoice, 2), quantity FROM goods WHERE invoice LIKE 'C%'`
	}
	agree(t, "goods kept", goods, figures(t, db, net))
	if b.must("verify"); num.MustQty(onHand["tissue"]).Sign() <= 0 || len(orders) < 100 {
		t.Error("the file is another one")
	}
}

// The real orders of testdata, imported through their map and packed, leave on hand and take from stock what SQL over the raw file says, and a second import
// changes nothing.
func TestRealOrdersFromFileToFigures(t *testing.T) {
	t.Parallel()
	db := realRows(t)
	b := realShop(t, db)
	before := b.must("export", "events")
	b.must("import", "orders", realOrders, "--map", realMap, "--dry-run")
	if b.must("export", "events") != before {
		t.Error("--dry-run recorded something")
	}
	b.must("import", "orders", realOrders, "--map", realMap)
	b.must("pack", "--open", "--at", "2010-12-24")
	compareReal(t, b, db, "")

	before = b.must("export", "events")
	again := decoded[struct{ Facts, Recorded, Skipped int }](b, "import", "orders", realOrders, "--map", realMap)
	if again.Recorded != 0 || again.Skipped != again.Facts || b.must("export", "events") != before {
		t.Errorf("a second import: %+v", again)
	}
	b.must("pack", "--open", "--at", "2010-12-25")
	if b.must("export", "events") != before {
		t.Error("orders were open after all were packed")
	}
}

// With cancelled = return what was cancelled comes back to its order, once that order is known.
func TestRealCancellationsFromFileToFigures(t *testing.T) {
	t.Parallel()
	db := realRows(t)
	b := realShop(t, db)
	text, err := os.ReadFile(realMap)
	if err != nil {
		t.Fatal(err)
	}
	returning := b.file("return.map", strings.Replace(string(text), "cancelled = skip", "cancelled = return", 1))
	before := b.must("export", "events")
	b.refused(statusUse, []string{"import", "orders", realOrders, "--map", returning}, "row 2", "order 539486 was never placed or packed", "record its order or pack first")
	if b.must("export", "events") != before {
		t.Error("something of a refused file was recorded")
	}

	rows, err := db.Query(`SELECT invoice, zone, group_concat('{"item":"' || item || '","qty":"' || n || '"}') FROM
		(SELECT invoice, zone, item, sum(quantity) AS n FROM earlier GROUP BY invoice, zone, item) GROUP BY invoice, zone`)
	if err != nil {
		t.Fatal(err)
	}
	var facts strings.Builder
	for rows.Next() {
		var invoice, zone, lines string
		if err := rows.Scan(&invoice, &zone, &lines); err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&facts, `{"kind":"pack","time":"2010-12-10T12:00:00-04:00","data":{"order":"%s","zone":"%s","lines":[%s]}}`+"\n", invoice, zone, lines)
	}
	rows.Close()
	b.must("record", b.file("earlier.jsonl", facts.String()))
	b.must("import", "orders", realOrders, "--map", returning)
	b.must("pack", "--open", "--at", "2010-12-24")
	if _, err := db.Exec(`INSERT INTO packed SELECT * FROM earlier`); err != nil {
		t.Fatal(err)
	}
	compareReal(t, b, db, `SELECT item, -sum(quantity) FROM goods WHERE invoice LIKE 'C%' GROUP BY item`)

	before = b.must("export", "events")
	b.must("import", "orders", realOrders, "--map", returning)
	if b.must("export", "events") != before {
		t.Error("a second import recorded something")
	}
}
