package entry_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"countback/ledger/event"
)

// history draws a valid history as a person might record it, every fact with an id; what a fact refers to stands before it.
type history struct {
	t     *rapid.T
	lines []string
	ids   map[string][]string // by kind, not yet reversed
	of    map[string]string   // the item of a makespec or restock
	order []string            // numbers whose goods are known
	n     int
}

func (h *history) add(kind, data string, args ...any) string {
	const digits = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
	id := "V" + string(digits[h.n/1024]) + string(digits[h.n/32%32]) + string(digits[h.n%32])
	h.n++
	at := fmt.Sprintf("2026-%02d-%02dT%02d:00:00Z", 1+h.int(2), 1+h.int(27), h.int(23))
	h.lines = append(h.lines, fmt.Sprintf("%s id=%s at=%s ", kind, id, at)+fmt.Sprintf(data, args...))
	h.ids[kind] = append(h.ids[kind], id)
	return id
}

func (h *history) int(most int) int { return rapid.IntRange(0, most).Draw(h.t, "n") }

func (h *history) pick(list ...string) string { return list[h.int(len(list)-1)] }

func (h *history) some(kind string) (string, bool) {
	if len(h.ids[kind]) == 0 {
		return "", false
	}
	return h.pick(h.ids[kind]...), true
}

var (
	stocked  = []string{"card", "print", "mailer", "cord", "paper"}
	sold     = []string{"card", "print", "set", "kit"}
	packed   = []string{"mailer", "cord", "set"}
	fromWhat = map[string][]string{"card": {"paper", "cord"}, "print": {"paper", "card"}, "mailer": {"paper"}} // without a circle
)

// drawHistory draws inside a generator of its own, so that a failing test prints lines and not every number drawn.
func drawHistory(t *rapid.T) []event.Fact {
	return facts(rapid.Custom(historyLines).Draw(t, "history")...)
}

func historyLines(t *rapid.T) []string {
	h := &history{t: t, ids: map[string][]string{}, of: map[string]string{}}
	h.add("shop", `{'name':'Fernwick Paper','currency':'CAD','zone':'America/Halifax'}`)
	for _, id := range stocked {
		h.of[h.add("item", `{'item':'%s','name':'%s','type':'%s','unit':'%s','packs':{'box':'50'},'measures':{'strip':'3'},'piece_weight':'2'}`,
			id, id, map[bool]string{true: "good", false: "supply"}[id == "card" || id == "print"], map[bool]string{true: "mm", false: "each"}[id == "cord"])] = id
	}
	h.of[h.add("item", `{'item':'set','name':'Set','type':'prepared','unit':'each','parts':[{'item':'card','qty':'2'}]}`)] = "set"
	h.of[h.add("item", `{'item':'kit','name':'Kit','type':'prepared','unit':'each','parts':[{'item':'set','qty':'1'},{'item':'print','qty':'1'}]}`)] = "kit"
	h.packspec()
	for range 5 + h.int(25) {
		h.step()
	}
	return h.lines
}

func (h *history) packspec() string {
	return h.add("packspec", `{'lines':[{'item':'%s','qty':'1','per':'order'}],'formats':[{'format':'flat','accepts':['any'],'lines':[{'item':'cord','qty':'2','measure':'strip','per':'unit','good':'%s'}]}]}`,
		h.pick("mailer", "cord"), h.pick(sold...))
}

func (h *history) step() {
	switch h.int(13) {
	case 0:
		item := h.pick(stocked...)
		h.of[h.add("item", `{'item':'%s','packs':{'%s':'20'},'place':'shelf'}`, item, h.pick("box", "crate"))] = item
	case 1:
		if id, ok := h.some("item"); ok {
			h.add("item", `{'item':'%s','name':'other','restates':'@%s'}`, h.of[id], id)
			h.ids["item"] = h.ids["item"][:len(h.ids["item"])-1]
		}
	case 2:
		item := h.pick("card", "print", "mailer")
		h.of[h.add("makespec", `{'item':'%s','pieces':'4','lines':[{'item':'%s','qty':'1','per':'cycle'}]}`, item, h.pick(fromWhat[item]...))] = item
	case 3:
		if id, ok := h.some("makespec"); ok {
			h.add("reprint", `{'item':'%s','good':'3','spoiled':'1','spec':'@%s','changes':[{'item':'cord','total':'1','measure':'strip'}]}`, h.of[id], id)
		}
	case 4:
		number := fmt.Sprint(100 + h.int(5))
		h.add("order", `{'order':'%s','zone':'home','lines':[{'item':'%s','qty':'2'}]}`, number, h.pick(sold...))
		h.order = append(h.order, number)
	case 5:
		if len(h.order) > 0 {
			h.add("pack", `{'order':'%s','changes':[{'item':'%s','qty':'-1'}]}`, h.pick(h.order...), h.pick(packed...))
		}
	case 6:
		number, good := fmt.Sprint(200+h.int(5)), h.pick(sold...)
		spec, ok := h.some("packspec")
		if !ok {
			spec = h.packspec()
		}
		h.add("pack", `{'order':'%s','lines':[{'item':'%s','qty':'2'}],'parcels':[{'format':'flat','lines':[{'item':'%s','qty':'2'}]}],'spec':'@%s'}`, number, good, good, spec)
		h.order = append(h.order, number)
	case 7:
		if len(h.order) > 0 {
			h.add("return", `{'order':'%s','lines':[{'item':'%s','qty':'1','condition':'scrap'}]}`, h.pick(h.order...), h.pick(sold...))
		}
	case 8:
		item := h.pick(stocked...)
		purchase := h.add("purchase", `{'supplier':'Tarnwick Board','lines':[{'item':'%s','qty':'1','pack':'box'}]}`, item)
		h.of[h.add("restock", `{'purchase':'@%s','lines':[{'item':'%s','qty':'1','pack':'box','cost':'9'}],'discount':'9','currency':'USD','rate':'1.3'}`, purchase, item)] = item
	case 9:
		if id, ok := h.some("restock"); ok {
			h.add("credit", `{'restock':'@%s','lines':[{'item':'%s','qty':'1','amount':'-2'}]}`, id, h.of[id])
		}
	case 10:
		h.add("count", `{'item':'%s','gross':'80','tare':'3','weight_unit':'g'}`, h.pick(stocked...))
		h.add("count", `{'item':'%s','qty':'3','session':'march'}`, h.pick(sold...))
	case 11:
		h.add("damage", `{'item':'%s','qty':'1','reason':'gift'}`, h.pick(sold...))
		h.add("retire", `{'item':'%s'}`, h.pick(stocked...))
	case 12:
		if id, ok := h.some("pack"); ok {
			h.add("decide", `{'event':'@%s','keep':true}`, id)
		}
	case 13:
		kind := h.pick("order", "pack", "purchase", "restock", "credit", "reprint", "count", "damage", "return", "retire", "packspec", "makespec")
		if id, ok := h.some(kind); ok {
			h.add("reverse", `{'event':'@%s','reason':'typing'}`, id)
			for i, x := range h.ids[kind] {
				if x == id {
					h.ids[kind] = append(h.ids[kind][:i:i], h.ids[kind][i+1:]...)
					break
				}
			}
		}
	}
}

func many(t *testing.T, prop func(*rapid.T)) {
	if os.Getenv("COUNTBACK_FULL") == "1" {
		for range 50 {
			rapid.Check(t, prop)
		}
		return
	}
	rapid.Check(t, prop)
}

// However much of a valid history the ledger holds already, and in whatever order a file has the rest, or all of it once more: it is taken.
func TestAValidHistoryIsTakenInAnyOrder(t *testing.T) {
	many(t, func(t *rapid.T) {
		all := drawHistory(t)
		held := rapid.IntRange(0, len(all)).Draw(t, "held")
		l := newLedger(all[:held]...)
		rest := all[held:]
		if rapid.Bool().Draw(t, "again") {
			rest = all
		}
		list := append([]event.Fact{}, rest...)
		rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "order"), 0)).Shuffle(len(list), func(i, k int) { list[i], list[k] = list[k], list[i] })
		if err := check(l, list); err != nil {
			line, _ := list[fault(t, err).Index].Line()
			t.Fatalf("%v\n%s", err, line)
		}
	})
}

// One bad fact among good ones is found, at its place.
func TestTheFaultIsFoundAtItsPlace(t *testing.T) {
	many(t, func(t *rapid.T) {
		all := drawHistory(t)
		bad := facts(rapid.SampledFrom([]string{
			`damage {'item':'quill','qty':'1','reason':'gift'}`, `reverse {'event':'@N0PE','reason':'typing'}`, `pack {'order':'999'}`,
			`item {'item':'card','unit':'ml'}`, `count {'item':'kit','qty':'1'}`, `makespec {'item':'paper','pieces':'1','lines':[{'item':'paper','qty':'1','per':'cycle'}]}`,
		}).Draw(t, "bad"))[0]
		at := rapid.IntRange(0, len(all)).Draw(t, "at")
		list := append(append(append([]event.Fact{}, all[:at]...), bad), all[at:]...)
		if e := fault(t, check(newLedger(), list)); e.Index != at || strings.Contains(e.Error(), "\n") {
			line, _ := list[e.Index].Line()
			t.Fatalf("fact %d was blamed instead of %d: %v\n%s", e.Index, at, e, line)
		}
	})
}
