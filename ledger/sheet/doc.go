// Package sheet reads other people's spreadsheets into facts: orders from any CSV file through a map, and catalogs and count sheets with
// column names of our own. Its functions are pure: bytes in, facts and a full account of every row out; no disk, no clock, no network.
//
// # Files
//
// [ReadTable] takes comma, semicolon, tab or pipe as delimiter, UTF-8, UTF-16 (either order) or Windows-1252 as encoding, with or without a byte
// order mark, and finds out which, unless told. Quoted fields may hold line ends. Rows are numbered as a spreadsheet shows them, blank lines
// and the header included. A row whose number of fields is not the header's is listed. Whether 12,5 or 12.5 is
// written is taken from the fields that can only be one of the two; where a file doesn't show it, "1,234" is refused rather than guessed.
//
// # The map
//
// A map is a text file with one "word = value" on each line. Lines that begin with # are remarks. Case and extra spaces in words don't
// matter. A value or name with a comma, an = sign or a space at its end stands in quotation marks, which are doubled inside. Columns are named as in the file's
// header. A word stands once, but for no goods, skip status and cancelled status, which may repeat.
//
//	delimiter = semicolon            comma, semicolon, tab or pipe
//	encoding = windows-1252          utf-8, utf-16le, utf-16be or windows-1252
//	decimal = comma                  point or comma
//	thousands = point                comma, point, space or apostrophe
//	money sign = £                   what stands beside amounts; all are in the shop's currency
//	quotes = loose                   quotation marks inside unquoted fields are text
//	header row = 3                   the row with the columns' names
//	rows = one per line              or one per order
//	order = Order number             needed
//	date = Ordered                   needed
//	date layout = DD/MM/YYYY hh:mm   YYYY YY MMMM MMM MM M DD D hh h mm ss sss AM ZZ; without: 2026-05-02 14:30
//	time = At                        a column of its own for the time of day
//	time layout = hh:mm
//	time zone = Europe/Vienna        UTC, +02:00, or shop (the default)
//	item = SKU                       one per line: needed
//	quantity = Qty                   one per line: needed; "always 1" for one piece a row
//	items = Goods                    one per order: needed
//	items look like = ITEM x QTY     one per order: needed; an entry without a quantity is one piece
//	items separator = ;              or comma, semicolon, pipe, tab, new line
//	unit price = Price               or line value = Total: the order's value is the sum over its goods
//	order value = Goods total        instead of that sum
//	shipping = Postage paid
//	zone = Country                   needed; "always home" for one zone for all
//	zone United Kingdom = uk         the zone for one value of that column
//	any other zone = world           for values not listed, and where there is none
//	options = Extras                 names of options
//	options separator = comma
//	item 85123A = HEART-HOLDER       the shop's name for a code of the file
//	no goods = POST, DOT, BANK*      codes to leave out; * stands for any text
//	zero price = skip                leave rows with a price of zero out (keep is the default)
//	status = State
//	skip status = draft, unpaid      statuses to leave out
//	cancelled = skip                 or return: goods come back to the order
//	cancelled number begins with = C
//	cancelled quantity = negative
//	cancelled status = refunded
//	cancelled order = For order      the column that names the order; without: the number without what it begins with
//	cancelled date = Refunded on     when it was; needed with cancelled = return and cancelled status
//	returned goods = scrap           saleable is the default
//
// # What becomes of a row
//
// The first that applies: blank; left out by its status; no goods; a price of zero; cancelled; goods. [Result].Done counts the rows of each
// fate, and the counts add up to all rows, so nothing is left out silently. One [Problem] in any row keeps the whole file from being recorded.
//
// Rows of one order number belong together wherever they stand. Order-wide cells (zone, value, shipping) may be filled in on some rows only, but two rows may not differ. The order's
// time is the earliest on its rows. A date without a time is noon; a time that the clocks jumped over is the first instant after the jump, one
// that they showed twice is the first of the two. Lines of one item are added up. Values are rounded once, half to even, to the currency's digits.
//
// With cancelled = return, a cancellation with a number of its own becomes one return of the order it names; cancelled rows under their order's own
// number become one return each; an order cancelled by its status is recorded as placed as well, for goods that were sent and came back. Choose skip for what
// was called off before it was packed.
//
// # Importing again
//
// The id of a fact is a ULID with the order's time and 80 bits of a SHA-256 over the shop, the kind, the order number and, for returns, the
// rows. The same file, or a later export that overlaps it, gives the same ids, which a ledger skips. [ContentKey] tells an order that was changed at its source since.
// Only if the source gives an order another time does it get another id; a caller that knows the order's number already should say so.
//
// What is hashed is countback-import-v1, the shop's id, the kind and the names, each as its length in bytes, a colon, its text and a newline.
// Example, which a test verifies: order 5001 of shop "example" at 2026-03-02T09:30:00Z has the id 01KJPY44E05Z6ZDV51TBGFGRY9.
package sheet
