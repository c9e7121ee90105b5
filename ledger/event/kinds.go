package event

import "countback/ledger/num"

// Kind names what an event is about; its type is "countback." + kind + ".v1".
type Kind string

// The kinds, in the contract's order.
const (
	KindShop     Kind = "shop"
	KindItem     Kind = "item"
	KindRetire   Kind = "retire"
	KindPackSpec Kind = "packspec"
	KindMakeSpec Kind = "makespec"
	KindOrder    Kind = "order"
	KindPack     Kind = "pack"
	KindReturn   Kind = "return"
	KindPurchase Kind = "purchase"
	KindRestock  Kind = "restock"
	KindCredit   Kind = "credit"
	KindReprint  Kind = "reprint"
	KindDamage   Kind = "damage"
	KindCount    Kind = "count"
	KindReverse  Kind = "reverse"
	KindDecide   Kind = "decide"
	KindClose    Kind = "close"
	KindDevice   Kind = "device"
	KindRevoke   Kind = "revoke"
)

// kindInfo is what the ledger knows of a kind.
type kindInfo struct {
	rank       uint8
	reversible bool
	fact       bool // may stand in a fact file
	make       func() Data
}

var kinds = map[Kind]kindInfo{
	KindShop:     {0, false, true, func() Data { return new(Shop) }},
	KindItem:     {0, false, true, func() Data { return new(Item) }},
	KindRetire:   {0, true, true, func() Data { return new(Retire) }},
	KindPackSpec: {0, true, true, func() Data { return new(PackSpec) }},
	KindMakeSpec: {0, true, true, func() Data { return new(MakeSpec) }},
	KindDevice:   {0, false, false, func() Data { return new(Device) }},
	KindRevoke:   {0, false, false, func() Data { return new(Revoke) }},
	KindOrder:    {1, true, true, func() Data { return new(Order) }},
	KindPurchase: {1, true, true, func() Data { return new(Purchase) }},
	KindRestock:  {2, true, true, func() Data { return new(Restock) }},
	KindCredit:   {2, true, true, func() Data { return new(Credit) }},
	KindReprint:  {3, true, true, func() Data { return new(Reprint) }},
	KindPack:     {4, true, true, func() Data { return new(Pack) }},
	KindDamage:   {4, true, true, func() Data { return new(Damage) }},
	KindReturn:   {5, true, true, func() Data { return new(Return) }},
	KindCount:    {6, true, true, func() Data { return new(Count) }},
	KindReverse:  {7, false, true, func() Data { return new(Reverse) }},
	KindDecide:   {7, false, true, func() Data { return new(Decide) }},
	KindClose:    {7, false, false, func() Data { return new(Close) }},
}

// Kinds lists the kinds in alphabetical order.
func Kinds() []Kind { return sortedKinds }

// Rank is the kind's place among events of one instant (0 first, see package fold); an unknown kind is last.
func (k Kind) Rank() uint8 {
	if i, ok := kinds[k]; ok {
		return i.rank
	}
	return 255
}

// Known reports whether this program understands the kind.
func (k Kind) Known() bool { _, ok := kinds[k]; return ok }

// Reversible reports whether a reverse event may name an event of the kind.
func (k Kind) Reversible() bool { return kinds[k].reversible }

// Fact reports whether the kind may stand in a fact file; the others are made by commands alone.
func (k Kind) Fact() bool { return kinds[k].fact }

// Data is the data of one event. Fields stand in the contract's order, which is the order in which they are written; optional ones are left out when zero or nil.
// Pointers to numbers say omitempty, not omitzero: omitzero asks IsZero of what the pointer points to and would drop a count of 0.
type Data interface {
	Kind() Kind
	check(*checker)
}

// Shop names the shop and its settings; a later one names only what changes.
type Shop struct {
	Name     string `json:"name,omitzero"`
	Currency string `json:"currency,omitzero"` // ISO 4217
	Zone     string `json:"zone,omitzero"`     // IANA time zone
	Costing  string `json:"costing,omitzero"`  // average or fifo
	Keeper   string `json:"keeper,omitzero"`   // device id
	Note     string `json:"note,omitzero"`
}

// Item defines an item or changes some of its fields.
type Item struct {
	Item        string             `json:"item"`
	Name        string             `json:"name,omitzero"`
	Type        string             `json:"type,omitzero"` // good, supply or prepared
	Unit        string             `json:"unit,omitzero"` // each, mm, g or ml
	Packs       map[string]num.Qty `json:"packs,omitzero"`
	Measures    map[string]num.Qty `json:"measures,omitzero"`
	Class       string             `json:"class,omitzero"`
	Points      *num.Qty           `json:"points,omitempty"`
	Place       string             `json:"place,omitzero"`
	Supplier    string             `json:"supplier,omitzero"`
	LeadDays    *int               `json:"lead_days,omitzero"`
	LeadDaysMax *int               `json:"lead_days_max,omitzero"`
	Tolerance   *Tolerance         `json:"tolerance,omitempty"`
	PieceWeight *num.Qty           `json:"piece_weight,omitempty"` // grams per base unit
	UnitCost    *num.Money         `json:"unit_cost,omitempty"`    // estimate per base unit
	Barcode     string             `json:"barcode,omitzero"`
	Price       *num.Money         `json:"price,omitempty"`
	Parts       []Part             `json:"parts,omitzero"`
	Restates    ID                 `json:"restates,omitzero"`
	Note        string             `json:"note,omitzero"`
}

// Part is one kind of piece that a prepared item stands for.
type Part struct {
	Item string  `json:"item"`
	Qty  num.Qty `json:"qty"`
}

// Retire takes an item out of the lists; it moves nothing.
type Retire struct {
	Item string `json:"item"`
	Note string `json:"note,omitzero"`
}

// Line is one line of a packing or make spec.
type Line struct {
	Item    string   `json:"item"`
	Qty     num.Qty  `json:"qty"`
	Measure string   `json:"measure,omitzero"`
	Pack    string   `json:"pack,omitzero"`
	Per     string   `json:"per"` // order, parcel, unit; cycle, piece
	Class   string   `json:"class,omitzero"`
	Good    string   `json:"good,omitzero"`
	Zones   []string `json:"zones,omitzero"`
	From    *num.Qty `json:"from,omitempty"`
	To      *num.Qty `json:"to,omitempty"`
	Every   *num.Qty `json:"every,omitempty"`
	Option  string   `json:"option,omitzero"`
}

// Format is one kind of parcel.
type Format struct {
	Format  string   `json:"format"`
	Accepts []string `json:"accepts,omitzero"` // classes; absent: all
	Holds   *num.Qty `json:"holds,omitempty"`  // points; absent: no limit
	Lines   []Line   `json:"lines,omitzero"`
}

// PackSpec says which parcels an order goes into and what that uses.
type PackSpec struct {
	Lines    []Line   `json:"lines,omitzero"`
	Formats  []Format `json:"formats"`
	Restates ID       `json:"restates,omitzero"`
	Note     string   `json:"note,omitzero"`
}

// MakeSpec is the bill of materials of a print run of an item.
type MakeSpec struct {
	Item           string   `json:"item"`
	Pieces         num.Qty  `json:"pieces"` // per cycle
	Lines          []Line   `json:"lines"`
	NormalSpoilage *num.Qty `json:"normal_spoilage,omitempty"` // a fraction of all pieces, from 0 to 1
	Restates       ID       `json:"restates,omitzero"`
	Note           string   `json:"note,omitzero"`
}

// Goods is a line of goods in whole pieces.
type Goods struct {
	Item string  `json:"item"`
	Qty  num.Qty `json:"qty"`
}

// Order is an order as placed.
type Order struct {
	Order    string     `json:"order"`
	Zone     string     `json:"zone"`
	Lines    []Goods    `json:"lines"`
	Options  []string   `json:"options,omitzero"`
	Value    *num.Money `json:"value,omitempty"`
	Shipping *num.Money `json:"shipping,omitempty"`
	Note     string     `json:"note,omitzero"`
}

// Parcel is one parcel of a pack whose split a person gave; format "none" is handed over without a parcel.
type Parcel struct {
	Format string  `json:"format"`
	Lines  []Goods `json:"lines"`
}

// Change is one difference from a spec: exactly one of Qty (signed, added) and Total (the whole use) is set.
type Change struct {
	Item      string   `json:"item"`
	Qty       *num.Qty `json:"qty,omitempty"`
	Total     *num.Qty `json:"total,omitempty"`
	InsteadOf string   `json:"instead_of,omitzero"`
	Measure   string   `json:"measure,omitzero"`
}

// Pack says that an order, or a part of it, was packed, and what differed from the spec.
type Pack struct {
	Order   string     `json:"order"`
	Zone    string     `json:"zone,omitzero"`
	Lines   []Goods    `json:"lines,omitzero"` // absent: the whole order as placed
	Options []string   `json:"options,omitzero"`
	Parcels []Parcel   `json:"parcels,omitzero"`
	Joined  string     `json:"joined,omitzero"`
	Changes []Change   `json:"changes,omitzero"`
	Postage *num.Money `json:"postage,omitempty"`
	Resend  *bool      `json:"resend,omitzero"`
	Spec    ID         `json:"spec,omitzero"`
	Note    string     `json:"note,omitzero"`
}

// ReturnLine is goods that came back.
type ReturnLine struct {
	Item      string  `json:"item"`
	Qty       num.Qty `json:"qty"`
	Condition string  `json:"condition"` // saleable or scrap
}

// Return says what came back of an order.
type Return struct {
	Order string       `json:"order"`
	Lines []ReturnLine `json:"lines"`
	Note  string       `json:"note,omitzero"`
}

// PurchaseLine is one item on order.
type PurchaseLine struct {
	Item string     `json:"item"`
	Qty  num.Qty    `json:"qty"`
	Pack string     `json:"pack,omitzero"`
	Cost *num.Money `json:"cost,omitempty"`
}

// Purchase is an order at a supplier.
type Purchase struct {
	Supplier string         `json:"supplier"`
	Ref      string         `json:"ref,omitzero"`
	Due      Date           `json:"due,omitzero"`
	Lines    []PurchaseLine `json:"lines"`
	Note     string         `json:"note,omitzero"`
}

// RestockLine is one item received: Qty in packs where Pack is given, else in base units; Cost is the whole line's, before charges.
type RestockLine struct {
	Item     string     `json:"item"`
	Qty      *num.Qty   `json:"qty"`
	Pack     string     `json:"pack,omitzero"`
	Expected *num.Qty   `json:"expected,omitempty"`
	Cost     *num.Money `json:"cost"`
}

// Restock is a delivery.
type Restock struct {
	Supplier string        `json:"supplier,omitzero"`
	Ref      string        `json:"ref,omitzero"`
	Purchase ID            `json:"purchase,omitzero"`
	Final    *bool         `json:"final,omitzero"`
	Lines    []RestockLine `json:"lines"`
	Freight  *num.Money    `json:"freight,omitempty"`
	Duty     *num.Money    `json:"duty,omitempty"`
	Tax      *num.Money    `json:"tax,omitempty"`
	Discount *num.Money    `json:"discount,omitempty"`
	Currency string        `json:"currency,omitzero"`
	Rate     *num.Rate     `json:"rate,omitempty"`
	Note     string        `json:"note,omitzero"`
}

// CreditLine is money (and with Qty goods) back to or from a supplier; Qty is in base units.
type CreditLine struct {
	Item   string     `json:"item"`
	Qty    *num.Qty   `json:"qty,omitempty"`
	Amount *num.Money `json:"amount"` // negative: a later bill
}

// Credit is a supplier's refund, return or later bill on a restock.
type Credit struct {
	Restock  ID           `json:"restock"`
	Lines    []CreditLine `json:"lines"`
	Currency string       `json:"currency,omitzero"`
	Rate     *num.Rate    `json:"rate,omitempty"`
	Reason   string       `json:"reason,omitzero"`
	Note     string       `json:"note,omitzero"`
}

// Reprint is a print run, or any run that makes an item from others.
type Reprint struct {
	Item    string   `json:"item"`
	Good    *num.Qty `json:"good"`
	Spoiled *num.Qty `json:"spoiled"`
	Cycles  *num.Qty `json:"cycles,omitempty"`
	Changes []Change `json:"changes,omitzero"`
	Order   string   `json:"order,omitzero"`
	Reason  string   `json:"reason,omitzero"`
	Spec    ID       `json:"spec,omitzero"`
	Note    string   `json:"note,omitzero"`
}

// Damage is a write-off, sample, gift or own use.
type Damage struct {
	Item    string  `json:"item"`
	Qty     num.Qty `json:"qty"`
	Measure string  `json:"measure,omitzero"`
	Reason  string  `json:"reason"`
	Note    string  `json:"note,omitzero"`
	Order   string  `json:"order,omitzero"`
}

// Count is what somebody saw: a number of pieces, measures or packs, or a weight.
type Count struct {
	Item       string     `json:"item"`
	Qty        *num.Qty   `json:"qty,omitempty"`
	Measure    string     `json:"measure,omitzero"`
	Pack       string     `json:"pack,omitzero"`
	Gross      *num.Qty   `json:"gross,omitempty"`
	Tare       *num.Qty   `json:"tare,omitempty"`
	WeightUnit string     `json:"weight_unit,omitzero"` // g, kg, oz or lb
	Place      string     `json:"place,omitzero"`
	Session    string     `json:"session,omitzero"`
	Tolerance  *Tolerance `json:"tolerance,omitempty"`
	Cost       *num.Money `json:"cost,omitempty"` // of the counted figure, where it opens the item
	Note       string     `json:"note,omitzero"`
}

// Reverse leaves an event out of every fold.
type Reverse struct {
	Event  ID     `json:"event"`
	Reason string `json:"reason"`
	Note   string `json:"note,omitzero"`
}

// Decide settles a question of the review.
type Decide struct {
	Event  ID     `json:"event"`
	Keep   *bool  `json:"keep"`
	Reason string `json:"reason,omitzero"`
	Note   string `json:"note,omitzero"`
}

// LogHead is how far a log is covered.
type LogHead struct {
	Seq  int64  `json:"seq"`
	Hash string `json:"hash"`
}

// Digests are the digests of a closed period under both costings.
type Digests struct {
	Average string `json:"average"`
	FIFO    string `json:"fifo"`
}

// Close closes a month.
type Close struct {
	Period   string             `json:"period"`
	Upto     map[string]LogHead `json:"upto"`
	Digest   Digests            `json:"digest"`
	Engine   string             `json:"engine"`
	Accepted []ID               `json:"accepted,omitzero"`
}

// Device is the first event of every log.
type Device struct {
	Key         string `json:"key"` // NATS nkeys public user key
	Name        string `json:"name"`
	Role        string `json:"role"` // desk or phone
	By          string `json:"by"`
	Endorsement string `json:"endorsement"` // by's signature, base64url
	Succeeds    string `json:"succeeds,omitzero"`
}

// Revoke ends a device's membership after one of its events.
type Revoke struct {
	Device string `json:"device"`
	Last   int64  `json:"last"`
	Hash   string `json:"hash"`
	Reason string `json:"reason"`
}

// Kind returns KindShop; each data type names its own.
func (*Shop) Kind() Kind     { return KindShop }
func (*Item) Kind() Kind     { return KindItem }
func (*Retire) Kind() Kind   { return KindRetire }
func (*PackSpec) Kind() Kind { return KindPackSpec }
func (*MakeSpec) Kind() Kind { return KindMakeSpec }
func (*Order) Kind() Kind    { return KindOrder }
func (*Pack) Kind() Kind     { return KindPack }
func (*Return) Kind() Kind   { return KindReturn }
func (*Purchase) Kind() Kind { return KindPurchase }
func (*Restock) Kind() Kind  { return KindRestock }
func (*Credit) Kind() Kind   { return KindCredit }
func (*Reprint) Kind() Kind  { return KindReprint }
func (*Damage) Kind() Kind   { return KindDamage }
func (*Count) Kind() Kind    { return KindCount }
func (*Reverse) Kind() Kind  { return KindReverse }
func (*Decide) Kind() Kind   { return KindDecide }
func (*Close) Kind() Kind    { return KindClose }
func (*Device) Kind() Kind   { return KindDevice }
func (*Revoke) Kind() Kind   { return KindRevoke }
