package pages

import (
	"net/url"
	"strings"
)

// piece is a part of a sentence; one with an address is a link.
type piece struct{ Text, Link string }

// advice turns what a report advises into a sentence for a page: commands become links to the forms and pages that do the same, with what is known filled in.
func advice(text string) (out []piece) {
	const program = "countback "
	for {
		at := strings.Index(text, program)
		if at < 0 {
			if text != "" {
				out = append(out, piece{Text: text})
			}
			return out
		}
		command, rest := cutCommand(text[at+len(program):])
		p, ok := linkOf(command)
		if !ok {
			p = piece{Text: program + strings.Join(command, " ")}
		}
		if before := text[:at]; before != "" {
			out = append(out, piece{Text: before})
		}
		out = append(out, p)
		text = rest
	}
}

// cutCommand takes a command's words off a sentence. It ends at a comma or semicolon, and before a word that goes on in plain language.
func cutCommand(s string) (command []string, rest string) {
	for s != "" {
		word, tail := nextWord(s)
		if len(command) > 0 && (word == "or" || word == "and" || word == "then" || word == "with" || word == "shows" || word == "again" || word == "now") {
			return command, " " + strings.TrimLeft(s, " ")
		}
		end := strings.TrimRight(word, ",;:.)")
		command = append(command, end)
		if end != word {
			return command, word[len(end):] + tail
		}
		s = tail
	}
	return command, ""
}

// nextWord cuts a word, one in quotation marks as a whole, and leaves the space before what follows.
func nextWord(s string) (word, tail string) {
	s = strings.TrimLeft(s, " ")
	if rest, ok := strings.CutPrefix(s, `"`); ok {
		if in, after, ok := strings.Cut(rest, `"`); ok {
			return in, after
		}
	}
	at := strings.IndexByte(s, ' ')
	if at < 0 {
		return s, ""
	}
	return s[:at], s[at:]
}

// filled reports whether a word of a command is a value, and not the name of one that a person has to put in.
func filled(word string) bool {
	return word != "" && word != "…" && word != "keep|drop" && strings.ToUpper(word) != word || strings.ContainsAny(word, "0123456789")
}

// linkOf is the form or page that does what a command does.
func linkOf(words []string) (piece, bool) {
	args, flags := []string{}, map[string]string{}
	for i := 1; i < len(words); i++ {
		if name, ok := strings.CutPrefix(words[i], "--"); ok {
			value := ""
			if i+1 < len(words) && !strings.HasPrefix(words[i+1], "--") {
				i++
				value = words[i]
			}
			flags[name] = value
			continue
		}
		args = append(args, words[i])
	}
	arg := func(i int) string {
		if i < len(args) && filled(args[i]) {
			return args[i]
		}
		return ""
	}
	q := url.Values{}
	set := func(name, value string) {
		if filled(value) {
			q.Set(name, value)
		}
	}
	form := func(kind, text string) (piece, bool) {
		set("day", flags["at"])
		return piece{text, address("/record/"+kind, q)}, true
	}
	switch words[0] {
	case "count":
		set("item", arg(0))
		return form("count", "count "+orWord(arg(0), "it"))
	case "restock":
		set("item", arg(0))
		return form("restock", "record the delivery of "+orWord(arg(0), "it"))
	case "damage":
		set("item", arg(0))
		set("reason", flags["reason"])
		return form("damage", "write it off")
	case "pack":
		set("order", arg(0))
		return form("pack", "record the pack"+prefixed(" of order ", arg(0)))
	case "credit":
		set("restock", arg(0))
		set("item", arg(1))
		return form("credit", "record the credit")
	case "reverse":
		set("event", arg(0))
		set("reason", flags["reason"])
		return form("reverse", "take that entry back")
	case "decide":
		set("event", arg(0))
		if len(args) > 1 && (args[1] == "keep" || args[1] == "drop") {
			q.Set("keep", args[1])
			return form("decide", args[1]+" it")
		}
		return form("decide", "decide")
	case "use":
		set("item", arg(0))
		set("since", flags["since"])
		return piece{"put the spec right", address("/counting/use", q)}, true
	case "audit":
		return piece{"why it ran out", "/why/" + url.PathEscape(arg(0))}, true
	case "history":
		if a := arg(0); len(a) == 26 {
			return piece{"that entry", "/event/" + url.PathEscape(a)}, true
		}
		set("item", arg(0))
		return piece{"what was recorded", address("/ledger", q)}, true
	case "item":
		set("item", arg(0))
		return piece{"set up " + orWord(arg(0), "the item"), address("/setup/item", q)}, true
	case "packspec":
		return piece{"the packing spec", "/setup/packing"}, true
	case "makespec":
		return piece{"the make spec", "/setup/making"}, true
	case "reorder":
		return piece{"what to buy", "/buying"}, true
	case "devices":
		return piece{"the devices", "/devices"}, true
	case "review":
		if _, throw := flags["throw-away"]; throw {
			return piece{"the button below", "#throw-away"}, true
		}
		return piece{"what to decide", "/decide"}, true
	case "close":
		if _, dry := flags["dry-run"]; dry {
			return piece{"look at " + arg(0), "/closing/" + url.PathEscape(arg(0))}, true
		}
		return piece{"close " + arg(0), "/closing/" + url.PathEscape(arg(0))}, true
	}
	return piece{}, false
}

func orWord(s, other string) string {
	if s == "" {
		return other
	}
	return s
}

// address is a path with a query, without a question mark where there is nothing to ask.
func address(path string, q url.Values) string {
	if len(q) == 0 {
		return path
	}
	return path + "?" + q.Encode()
}
