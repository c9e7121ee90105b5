package pages

import (
	"context"

	"countback/ledger/event"
)

// importPages take files in.
var importPages []route

// What a file that is taken in holds.
const (
	FileOfOrders  = "orders"
	FileOfCatalog = "catalog"
	FileOfCounts  = "counts"
)

// File is a file that is taken in.
type File struct {
	Name   string // as the person knows it
	What   string // FileOfOrders, FileOfCatalog or FileOfCounts
	Bytes  []byte
	Map    []byte     // of orders: the map that names the columns
	At     event.Time // of what has no time in a catalog or a count sheet; zero is now
	Person string
}

// Taken says what becomes of a file, or would become of it.
type Taken struct {
	Facts    int
	Recorded int
	Skipped  int    // facts that were here already
	Rows     []Fate // what becomes of the rows; their numbers add up to all rows
	Entries  []Fate // of the entries of items, where a row is a whole order
	Warnings []string
	OnHand   []Moved  // by counts
	Notices  []Notice // of counts
}

// Fate is what became of a number of rows.
type Fate struct {
	What string
	Rows int
}

// Importing takes files in, with the code of the commands.
type Importing interface {
	// Import records what a file says, all of it or nothing; dry only finds out whether it could be. What is wrong in single rows stands in a *Problem's
	// Details, what looks like a slip comes back as *Questions unless sure.
	Import(ctx context.Context, f File, dry, sure bool) (Taken, error)
}
