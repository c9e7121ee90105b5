// All items: found by scrolling, typing or scanning; with what is on hand.

import { rounded } from "./amount.js";
import { camera, canScan } from "./camera.js";
import { drawn, el, fill } from "./element.js";
import { checked, same } from "./gtin.js";
import { itemOf, known, watch } from "./ledger.js";
import { unitWord } from "./words.js";

const most = 80; // rows that are drawn at once

// find returns the items that match what was typed, those that begin with it first.
export function find(text) {
	const wanted = text.trim().toLowerCase();
	const all = known.items.filter((i) => !i.retired);
	if (wanted === "") return all;
	const words = wanted.split(/\s+/);
	const hay = (i) => `${i.name} ${i.item} ${i.place ?? ""} ${i.barcode ?? ""}`.toLowerCase();
	const rank = (i) => (i.item.toLowerCase() === wanted || same(i.barcode, wanted) ? 0 : i.name.toLowerCase().startsWith(wanted) || i.item.toLowerCase().startsWith(wanted) ? 1 : 2);
	return all.filter((i) => words.every((w) => hay(i).includes(w)) || same(i.barcode, wanted)).toSorted((a, b) => rank(a) - rank(b));
}

// row is one item as a line that can be tapped.
export function row(item, target) {
	const stock = known.stock.get(item.item);
	const figure = stock ? el("span", { class: "figure" }, el("b", {}, rounded(stock.on_hand)), el("span", { class: "small" }, " " + unitWord(stock.unit, stock.on_hand)), stock.on_hand.startsWith("-") ? el("span", { class: "short" }, " short") : null) : null;
	return el("li", {}, el("a", { class: "line", href: target ?? "#item/" + encodeURIComponent(item.item) },
		el("span", {}, el("span", { class: "name" }, item.name), " ", el("span", { class: "small" }, [item.item !== item.name ? item.item : "", item.place].filter(Boolean).join(" · "))), figure));
}

export function itemsScreen() {
	const list = el("ul", { class: "lines" });
	const note = el("p", { class: "small note" });
	const search = el("input", {
		type: "search", id: "search", placeholder: "Name, place or barcode", autocomplete: "off", autocapitalize: "off", spellcheck: "false", enterkeyhint: "go",
		oninput: draw, onkeydown: (e) => { if (e.key === "Enter") first(); },
	});
	const node = el("div", { class: "screen" },
		el("h1", { tabindex: "-1" }, "Items"), note, list,
		el("form", { class: "search", role: "search", onsubmit: (e) => e.preventDefault() },
			el("label", { for: "search", class: "unseen" }, "Find an item"), search,
			canScan() ? el("button", { type: "button", class: "main", onclick: () => scan() }, drawn("scan"), " Scan") : null));

	function first() {
		const found = find(search.value);
		if (found.length > 0 && search.value.trim() !== "") location.hash = "#item/" + encodeURIComponent(found[0].item);
	}

	function draw() {
		const found = find(search.value);
		note.textContent = known.noStock ? known.noStock : known.asOf ? "On hand now, with the entries of this phone." : "";
		if (found.length === 0) {
			const digits = search.value.trim();
			fill(list, el("li", { class: "nothing" }, known.items.length === 0 ? "There are no items yet. They are set up at the desk." : checked(digits) ? ["No item has the barcode " + digits + ". ", el("a", { href: "#remember/" + digits }, "Remember it for an item")] : "No item has this name, place or barcode."));
			return;
		}
		fill(list, found.slice(0, most).map((i) => row(i)), found.length > most ? el("li", { class: "nothing" }, `And ${found.length - most} more. Type a part of the name.`) : null);
	}

	async function scan() {
		const code = await camera("Scan a label or a barcode");
		if (code) location.hash = addressOf(code);
	}

	draw();
	return { node, title: "Items", leave: watch(draw) };
}

// addressOf is where a scanned code leads within this page.
export function addressOf(code) {
	const link = /#(item\/.+|(?:pair|recover)\/[a-z2-7]+\/[a-z2-7]+)$/.exec(code);
	if (link) return "#" + link[1];
	const known = byBarcode(code);
	if (known) return "#item/" + encodeURIComponent(known.item);
	if (itemOf(code)) return "#item/" + encodeURIComponent(code);
	return "#remember/" + encodeURIComponent(code);
}

function byBarcode(code) {
	return known.items.find((i) => same(i.barcode, code));
}
