// Command recorder is the recorder's first WebAssembly module: it runs in the page, holds the phone's key, and records and reads. Package phone says what it
// does; this package binds that to JavaScript and to the browser's database. Its sibling carrier runs in a worker and speaks to the desk.
//
// # What the page calls
//
// The module puts an EventTarget with functions on globalThis.countback. Each returns a promise: of a plain object, or refused with {message, field?, hint?,
// index?, kind?, questions?}. Numbers are decimal texts, instants RFC 3339 with offset.
//
//	open()                  {state, shop, device, ready, joining, locked}; waits for nothing but one small record
//	items()                 items by recent use
//	stock(item?)            the stock report
//	openOrders()            what waits to be packed
//	check(facts)            {questions}
//	record(facts, {sure})   {ids, said, on_hand}; durable once it resolves. kind "questions" says that it looks like a slip
//	takeBack(id, reason)    as record
//	remember(item, barcode) as record
//	recent(n)               the newest entries
//	standing()              how safe the entries are, whether storage is persistent
//	round(place?)           what there is to count, in the order of the shelves
//	keepRound(x), keptRound(), dropRound()
//	pair(link, name)        {digits, shop} for a code that admits; {recover: true, shop, desk, keeper} for one that asks for a new keeper
//	endorse(digits)         after {recover: true}: compares what was typed with what the new desk shows; kind "digits" allows once more
//	handover()              a Blob
//	takeHandover(blob)      {events, new, waiting, reports}
//	verifyReports(asOf?)    {stock, cost}
//	retry()                 lets the carrier try the desk at once
//	persist()               asks the browser to keep the storage: {persistence}
//
// Events: changed, standing, paired, refused, revoked, foreign, member, locked ({locked} says whether another tab records).
//
// # Between page and carrier
//
// They speak by a BroadcastChannel named countback: asks {to: "carrier", id, ask, …}, answered {to: ID OF THE ASKING TAB, re: id, ok | error} and at once with
// {re: id, heard: true}; and what is told to all: {told: "standing" | "door" | "endorsed" | "paired" | "refused"} by the carrier, "here", "begun" and "retry" by
// a page. What is written to the ledger the database itself tells to every tab. One tab holds the Web Lock countback-writer and records; the others show. One worker holds countback-carrier.
package main
