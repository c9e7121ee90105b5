// Package pages is the desk as a person sees it in a browser: pages by task, made on the server, each figure a step or two away from the events behind it.
//
// # Words
//
// A Look is one look at the ledger. All figures of a page come from one Look, so they belong together; a report is computed once for each (Look.Once). The Desk is what
// the pages ask of the program: the next look, and everything that writes. It is implemented beside the commands, by the code of the commands. The Site holds the
// routes, the templates and the doors.
//
// # How a page is made
//
// A route stands in a table of its own file, such as lossesPages, and names what serves it: a function that gets a view, works out its data from the view's look with
// packages of projections, and renders a template of its own with it. A template stands in html/NAME.html and defines "title" and "main"; layout.html is around it. Rules of figures don't
// belong here, words do.
//
// A region that follows the ledger is an element with an id and the attribute data-live: when the look changes, script/live.js fetches the page again and replaces those regions.
// Forms never stand in one.
//
// # Doors
//
// The site answers on loopback only, to a Host that is exactly its own, and to a browser that has traded the one-time token of the terminal for its cookie (doors.go). Nothing of a
// page comes from elsewhere, and no script or style stands in a page.
package pages
