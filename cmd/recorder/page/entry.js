// One item: how much, then what it was. The number is typed first, so that a tap on the verb is all that is left.

import { canonical, grouped, millionths, rounded } from "./amount.js";
import { el, fill } from "./element.js";
import { itemOf, known, shop, watch } from "./ledger.js";
import { keypad } from "./keypad.js";
import { closed, record, trouble } from "./recording.js";
import { said } from "./said.js";
import { Tally, unitsOf } from "./tally.js";
import { day, now, onHand, reasons, unitWord } from "./words.js";

export function entryScreen(id) {
	const item = itemOf(id);
	if (!item) return missing(id);
	const wrongs = el("div", {});
	const body = el("div", { class: "task" });
	const figure = el("p", { class: "now" });
	const node = el("div", { class: "screen entry" },
		el("div", { class: "heading" }, el("h1", { tabindex: "-1" }, item.name), figure),
		body, wrongs, el("p", { class: "more" }, el("a", { href: "#about/" + encodeURIComponent(id) }, "More about this item")));
	const draft = "draft " + id;
	const tally = new Tally(unitsOf(item)).from(JSON.parse(sessionStorage.getItem(draft) ?? "null"));

	const verbs = el("div", { class: "verbs", role: "group", "aria-label": "What happened" });
	const why = el("p", { class: "small", id: "why" });
	const pad = keypad(tally, { label: "How much", base: unitWord(item.unit), pieceWeight: item.piece_weight, changed });

	const acts = [
		["Restock", restock, "supply good"],
		["Count", count, "supply good prepared"],
		["Write-off", writeOff, "supply good prepared"],
		["Print run", printRun, "good supply"],
	].filter(([, , types]) => types.includes(item.type));
	const shown = item.made === false ? acts.filter(([name]) => name !== "Print run") : acts;

	function changed() {
		sessionStorage.setItem(draft, JSON.stringify(tally.kept()));
		offer();
	}

	// offer draws the verbs: those that make no sense with this number can't be tapped.
	function offer() {
		const shut = closed();
		const zero = !tally.weighing && !tally.empty && millionths(tally.total) === 0n;
		why.textContent = shut || (tally.weighing && !tally.empty ? "By weight an item can be counted." : "");
		if (verbs.children.length === 0) put();
		[...verbs.children].forEach((button, i) => {
			const name = shown[i][0];
			button.disabled = !!shut || tally.empty || (name !== "Count" && (zero && name !== "Print run" || tally.weighing));
		});
	}

	function put() {
		for (const [name, act] of shown) verbs.append(el("button", { type: "button", class: "verb", "aria-describedby": "why", onclick: () => act() }, name));
	}

	function start() {
		body.classList.remove("step");
		fill(body, pad.node, verbs, why);
		pad.draw();
		offer();
		drawFigure();
	}

	function drawFigure() {
		const s = known.stock.get(id);
		fill(figure, s ? [el("span", { class: "small" }, "on hand "), el("b", {}, rounded(s.on_hand)), el("span", { class: "small" }, " " + unitWord(s.unit, s.on_hand))] : "");
	}

	// step asks one thing more, in the place of the keypad.
	function step(title, ...children) {
		fill(wrongs);
		const head = el("h2", { tabindex: "-1" }, title);
		const parts = tally.all();
		const same = parts.length === 1 && parts[0].unit.kind === "base";
		fill(body, el("p", { class: "so-far" }, el("span", {}, el("b", {}, tally.words()), same ? null : el("span", { class: "small" }, ` = ${grouped(tally.total)} ${unitWord(item.unit, tally.total)}`)),
			el("button", { type: "button", onclick: () => { start(); node.querySelector("h1").focus(); } }, "Change")), head, ...children);
		body.classList.add("step");
		head.focus();
	}

	async function save(fact) {
		fill(wrongs);
		for (const b of body.querySelectorAll("button")) b.disabled = true;
		let result = null;
		try {
			result = await record([].concat(fact));
		} catch (e) {
			trouble(wrongs, e);
		}
		if (result) {
			sessionStorage.removeItem(draft);
			figure.remove();
			return said(body, result, [["Next item", "#items", true], ["This item again", "#again/" + encodeURIComponent(id)]]);
		}
		for (const b of body.querySelectorAll("button")) b.disabled = false;
		offer();
	}

	function count() {
		return save(countFacts(item, tally, {}));
	}

	function restock() {
		const cost = new Tally([{ key: "base", kind: "base", name: "", label: shop().currency ?? "", holds: "1" }]);
		const button = el("button", { type: "button", class: "main", disabled: true, onclick: () => go(canonical(cost.text)) }, "Record restock");
		const field = (name, label, more) => [el("label", { for: name }, label), el("input", { id: name, name, type: "text", autocomplete: "off", maxlength: "100", ...more })];
		const extra = el("details", {}, el("summary", {}, "Freight, supplier, number of the bill"), field("freight", `Freight, in ${shop().currency ?? ""}`, { inputmode: "decimal" }), field("supplier", "Supplier"), field("ref", "Number of the bill or delivery"));
		const price = keypad(cost, { label: "What it cost, without freight", plain: true, money: shop().currency ?? "", changed: () => { button.disabled = canonical(cost.text) === ""; } });
		step("What did it cost?", price.node, el("div", { class: "actions" }, button, el("button", { type: "button", onclick: () => go("0", "bill to come") }, "No bill yet")), extra,
			el("p", { class: "small" }, "Without a bill it stands at no cost until the bill is recorded at the desk, with credit and --bill."));
		function go(amount, note) {
			const value = (name) => extra.querySelector("#" + name).value.trim() || undefined;
			const parts = tally.all();
			const single = parts.length === 1 && parts[0].unit.kind === "pack";
			const line = single ? { item: id, qty: parts[0].qty, pack: parts[0].unit.name, cost: amount } : { item: id, qty: tally.total, cost: amount };
			const freight = value("freight") === undefined ? undefined : canonical(value("freight").replace(",", "."));
			return save({ kind: "restock", data: { supplier: value("supplier"), ref: value("ref"), lines: [line], freight: freight || undefined, note } });
		}
	}

	function writeOff() {
		const note = el("input", { id: "note", type: "text", autocomplete: "off", maxlength: "300" });
		step("Why is it written off?",
			el("div", { class: "choices" }, ...reasons.map(([reason, label]) => el("button", { type: "button", class: "choice", onclick: () => go(reason) }, label))),
			el("details", {}, el("summary", {}, "Add a note"), el("label", { for: "note" }, "Note"), note));
		function go(reason) {
			const parts = tally.all();
			const measured = parts.length === 1 && parts[0].unit.kind === "measure";
			const data = measured ? { item: id, qty: parts[0].qty, measure: parts[0].unit.name, reason } : { item: id, qty: tally.total, reason };
			return save({ kind: "damage", data: { ...data, note: note.value.trim() || undefined } });
		}
	}

	function printRun() {
		const spoiled = new Tally([{ key: "base", kind: "base", name: "", label: unitWord(item.unit), holds: "1" }]);
		const waste = keypad(spoiled, { label: "Spoiled", plain: true });
		step("How many were spoiled?", waste.node, el("div", { class: "actions" }, el("button", { type: "button", class: "main", onclick: () => save({ kind: "reprint", data: { item: id, good: tally.total, spoiled: canonical(spoiled.text) || "0" } }) }, "Record print run")));
	}

	start();
	const stop = watch(() => {
		drawFigure();
		if (verbs.isConnected) offer();
	});
	return { node, title: item.name, leave: stop, busy: () => !tally.empty, keypad: true };
}

// countFacts says what was seen. More than one part, like boxes and loose pieces, are facts of one session, whose figures add up.
export function countFacts(item, tally, { session, time }) {
	if (tally.weighing) return [{ kind: "count", time, data: { item: item.item, gross: canonical(tally.gross), tare: canonical(tally.tare) || "0", weight_unit: tally.weightUnit, session } }];
	const parts = tally.all();
	const together = session ?? (parts.length > 1 ? `${item.item} ${now().slice(0, 19)}`.slice(-100) : undefined);
	return parts.map((p) => ({
		kind: "count", time,
		data: { item: item.item, qty: p.qty, pack: p.unit.kind === "pack" ? p.unit.name : undefined, measure: p.unit.kind === "measure" ? p.unit.name : undefined, session: together },
	}));
}

function missing(id) {
	return {
		title: "Not found",
		node: el("div", { class: "screen" }, el("h1", { tabindex: "-1" }, "This phone knows no such item"),
			el("p", {}, "The label says ", el("b", {}, id), ". It may have been set up at the desk since the two last met."),
			el("p", { class: "actions" }, el("a", { class: "button main", href: "#items" }, "To the items"))),
	};
}

// aboutScreen says what else the ledger knows of an item.
export function aboutScreen(id) {
	const item = itemOf(id);
	if (!item) return missing(id);
	const list = el("dl", { class: "facts" });
	const node = el("div", { class: "screen" }, el("h1", { tabindex: "-1" }, item.name), list,
		el("p", { class: "actions" }, el("a", { class: "button main", href: "#item/" + encodeURIComponent(id) }, "Record something"), el("a", { class: "button", href: "#barcode/" + encodeURIComponent(id) }, item.barcode ? "Change the barcode" : "Remember a barcode")));
	function draw() {
		const s = known.stock.get(id);
		const currency = shop().currency ?? "";
		const holds = (list) => (list ?? []).map((p) => `${p.name} of ${grouped(p.units)}${item.unit === "each" ? "" : " " + item.unit}`).join(", ");
		const lines = [
			["On hand", s ? onHand(s.on_hand, s.unit) : "is being worked out"],
			["Last count", s?.last_count ? day(s.last_count) : s ? "never counted" : ""],
			["Value", s?.value ? `${grouped(s.value)} ${currency}` : ""],
			["One costs", s?.unit_cost ? `${grouped(s.unit_cost)} ${currency}` : ""],
			["Place", item.place], ["Packs", holds(item.packs)], ["Measures", holds(item.measures)], ["Barcode", item.barcode], ["Item", item.item],
		];
		fill(list, lines.filter(([, value]) => value).map(([name, value]) => el("div", {}, el("dt", {}, name), el("dd", {}, value))));
	}
	draw();
	return { node, title: item.name, leave: watch(draw) };
}
