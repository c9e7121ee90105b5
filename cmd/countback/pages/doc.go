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
// # Forms
//
// A form's fields are named as the fact's data is (lines[0].qty), so that what the ledger refuses finds its field (form.shown). A form reads fields into data and notes what is wrong at
// each (form.go); the same values fill the page again, so nothing typed is lost (formview.go, html/part-form.html). Rows that nobody filled in are gone, and the others are numbered anew
// (formrows.go). The hidden field "once" is the first fact's id, which a doubled submit shares; "seen" is the number of the last event that the page knew, and what has come in since about
// the same things is shown before anything is recorded (view.meanwhile). A kind has one kindForm: its blocks, and the data that they make; setup has forms of its own, which record what
// differs from what holds. Numbers are read by package typed. Everything works without script; script/forms.js makes it pleasanter.
//
// A file that is taken in stays in memory until it is recorded (staging): its form is a map's words, its text a map (package sheet), and recording is the commands' import.
//
// A report that may take longer than a page should is asked for with soon: it is worked out beside the page, once for each look, and the page says so and comes by itself (soon.go).
// What was asked for of late is worked out for the next look before anybody asks. What a report advises as a command becomes a link to the form or page that does the same (do.go).
//
// # Doors
//
// The site answers on loopback only, to a Host that is exactly its own, and to a browser that has traded the one-time token of the terminal for its cookie (doors.go). Nothing of a
// page comes from elsewhere, and no script or style stands in a page.
package pages
