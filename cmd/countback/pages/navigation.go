package pages

import "strings"

// navLink is a page that every page leads to, named by its question.
type navLink struct {
	Path, Name string
	Here       bool
}

type navGroup struct {
	Name  string
	Links []navLink
}

var navGroups = []navGroup{
	{"Today", []navLink{{Path: "/", Name: "The shop now"}, {Path: "/packing", Name: "What to pack"}, {Path: "/record", Name: "Record"}, {Path: "/decide", Name: "What to decide"}}},
	{"Stock", []navLink{{Path: "/items", Name: "What is on hand"}, {Path: "/counting", Name: "What to count"}, {Path: "/losses", Name: "What went missing"}, {Path: "/why", Name: "Why it ran out"}, {Path: "/buying", Name: "What to buy"}}},
	{"Money", []navLink{{Path: "/orders", Name: "What orders cost"}, {Path: "/closing", Name: "Closing a month"}}},
	{"The books", []navLink{{Path: "/ledger", Name: "What was recorded"}, {Path: "/setup", Name: "Setup"}, {Path: "/import", Name: "Take a file in"}, {Path: "/devices", Name: "Devices"}}},
}

// navigation marks the page that a path belongs to.
func navigation(at string) []navGroup {
	best := ""
	for _, g := range navGroups {
		for _, l := range g.Links {
			if (l.Path == "/items" && strings.HasPrefix(at, "/item/") || l.Path == "/ledger" && strings.HasPrefix(at, "/event/") || at == l.Path || l.Path != "/" && strings.HasPrefix(at, l.Path+"/")) && len(l.Path) > len(best) {
				best = l.Path
			}
		}
	}
	out := make([]navGroup, len(navGroups))
	for i, g := range navGroups {
		out[i].Name = g.Name
		for _, l := range g.Links {
			l.Here = l.Path == best
			out[i].Links = append(out[i].Links, l)
		}
	}
	return out
}
