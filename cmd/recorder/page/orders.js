// Open orders: packed one by one or in bulk, as the packing spec says or with exceptions.

import { add, canonical, compare, grouped, millionths } from "./amount.js";
import { el, fill } from "./element.js";
import { find } from "./items.js";
import { api, itemOf, nameOf, watch } from "./ledger.js";
import { closed, record, trouble } from "./recording.js";
import { said } from "./said.js";
import { day, plural, unitWord } from "./words.js";

// What was ticked and what differs, kept while the page is open: order → true, order → exceptions.
const ticked = new Set();
const differs = new Map();

const exceptions = (order) => differs.get(order) ?? { lines: {}, changes: [], note: "" };

export function ordersScreen() {
	const list = el("ul", { class: "lines orders" });
	const note = el("p", { class: "small note" });
	const wrongs = el("div", {});
	const search = el("input", { type: "search", id: "search", placeholder: "Order number or item", autocomplete: "off", oninput: draw });
	const pack = el("button", { type: "button", class: "main", disabled: true, onclick: () => save() }, "Pack");
	const all = el("button", { type: "button", onclick: () => tickAll() }, "Tick all shown");
	const bar = el("div", { class: "bar" }, el("form", { class: "search", role: "search", onsubmit: (e) => e.preventDefault() }, el("label", { for: "search", class: "unseen" }, "Find an order"), search), el("div", { class: "actions" }, pack, all));
	const body = el("div", { class: "task" }, note, list, wrongs, bar);
	const node = el("div", { class: "screen" }, el("h1", { tabindex: "-1" }, "Orders to pack"), body);
	let orders = null;

	function shown() {
		const wanted = search.value.trim().toLowerCase();
		return (orders ?? []).filter((o) => wanted === "" || o.order.toLowerCase().includes(wanted) || o.lines.some((l) => (l.name || l.item).toLowerCase().includes(wanted)));
	}

	function draw() {
		if (!node.contains(list)) return;
		if (!orders) return fill(note, "The open orders are being worked out.");
		for (const o of [...ticked]) if (!orders.some((x) => x.order === o)) ticked.delete(o);
		const found = shown();
		fill(note, orders.length === 0 ? "No order is open. Orders come in at the desk, with import orders." : `${plural(orders.length, "order is", "orders are")} open.`);
		fill(list, found.slice(0, 200).map(line));
		bar.hidden = orders.length === 0;
		offer();
	}

	function line(o) {
		const box = el("input", { type: "checkbox", id: "order " + o.order, checked: ticked.has(o.order), onchange: (e) => { e.target.checked ? ticked.add(o.order) : ticked.delete(o.order); offer(); } });
		const special = differs.has(o.order);
		return el("li", { class: "order" },
			el("label", { for: "order " + o.order }, box, el("span", {},
				el("span", { class: "name" }, o.order), " ", el("span", { class: "small" }, [o.zone, o.placed ? "ordered " + day(o.placed) : ""].filter(Boolean).join(" · ")),
				el("span", { class: "goods" }, o.lines.map((l) => `${grouped(l.qty)} × ${l.name || nameOf(l.item)}`).join(", ")),
				o.waits ? el("span", { class: "soon" }, "A pack of it waits for a decision at the desk") : null,
				o.short ? el("span", { class: "short" }, o.lacks?.length > 0 ? "Short of " + o.lacks.map(nameOf).join(", ") : "Short: not all of it is on hand") : null,
				special ? el("span", { class: "soon" }, "With exceptions") : null)),
			el("a", { class: "button", href: "#order/" + encodeURIComponent(o.order), "aria-label": (special ? "Change" : "Except\u2026") + " order " + o.order }, special ? "Change" : "Except\u2026"));
	}

	function offer() {
		const shut = closed();
		pack.disabled = ticked.size === 0 || !!shut;
		fill(pack, ticked.size === 0 ? "Pack" : "Pack " + plural(ticked.size, "order", "orders"));
		all.disabled = shown().length === 0;
		if (shut) fill(note, shut);
	}

	function tickAll() {
		for (const o of shown()) ticked.add(o.order);
		draw();
	}

	async function save() {
		pack.disabled = true;
		fill(wrongs);
		let result = null;
		try {
			result = await record(orders.filter((o) => ticked.has(o.order)).map((o) => packFact(o)));
		} catch (e) {
			trouble(wrongs, e);
		}
		if (!result) return offer();
		for (const o of [...ticked]) differs.delete(o);
		ticked.clear();
		said(body, result, [["To the orders", "#again/orders", true]]);
	}

	async function read() {
		try {
			orders = await api().openOrders();
			draw();
		} catch (e) {
			trouble(wrongs, e);
		}
	}
	draw();
	read();
	return { node, title: "Orders to pack", leave: watch(() => { if (node.contains(list)) read(); }) };
}

// packFact is what was packed of an order: all of it, or what was typed.
function packFact(o) {
	const x = exceptions(o.order);
	const lines = o.lines.map((l) => ({ item: l.item, qty: x.lines[l.item] ?? l.qty }));
	const part = lines.some((l, i) => l.qty !== o.lines[i].qty);
	return {
		kind: "pack",
		data: { order: o.order, lines: part ? lines.filter((l) => compare(l.qty, "0") > 0) : undefined, changes: x.changes.length > 0 ? x.changes.map(plain) : undefined, note: x.note || undefined },
	};
}

function plain(c) {
	return { item: c.item, qty: c.qty, total: c.total, instead_of: c.instead_of };
}

// orderScreen says what differs in one order from what was ordered and from the packing spec.
export function orderScreen(number) {
	const body = el("div", { class: "task" });
	const wrongs = el("div", {});
	const node = el("div", { class: "screen" }, el("h1", { tabindex: "-1" }, "Order " + number), body, wrongs);
	const x = structuredClone(exceptions(number));
	let order = null;

	function draw() {
		fill(body,
			el("h2", {}, "What goes into the parcel"),
			el("ul", { class: "lines" }, order.lines.map(goods)),
			el("h2", {}, "Materials used otherwise"),
			x.changes.length === 0 ? el("p", { class: "small" }, "As the packing spec says.") : el("ul", { class: "lines" }, x.changes.map(changeLine)),
			el("p", { class: "actions" }, el("button", { type: "button", onclick: () => change() }, "Add a material")),
			el("label", { for: "note" }, "Note"), el("input", { id: "note", type: "text", autocomplete: "off", maxlength: "300", value: x.note, onchange: (e) => { x.note = e.target.value.trim(); } }),
			el("div", { class: "actions" },
				el("button", { type: "button", class: "main", onclick: () => save() }, "Pack this order"),
				el("button", { type: "button", onclick: () => keep() }, "Keep for packing in bulk"),
				el("a", { class: "button", href: "#orders" }, "Leave it as ordered")));
	}

	// goods is one line with how many of it are packed.
	function goods(l) {
		const shown = el("output", { class: "figure" });
		const qty = () => x.lines[l.item] ?? l.qty;
		const step = (by) => {
			const next = add(qty(), by);
			if (compare(next, "0") < 0 || compare(next, l.qty) > 0) return;
			if (next === l.qty) delete x.lines[l.item];
			else x.lines[l.item] = next;
			show();
		};
		const show = () => { shown.textContent = `${grouped(qty())} of ${grouped(l.qty)}`; };
		show();
		const name = l.name || nameOf(l.item);
		return el("li", { class: "line stepper" }, el("span", { class: "name" }, name), el("span", { class: "steps" },
			el("button", { type: "button", "aria-label": "One fewer of " + name, onclick: () => step("-1") }, "\u2212"), shown, el("button", { type: "button", "aria-label": "One more of " + name, onclick: () => step("1") }, "+")));
	}

	function changeLine(c) {
		const unit = unitWord(itemOf(c.item)?.unit ?? "each");
		const text = c.instead_of ? `${grouped(c.total)} ${unit} of ${nameOf(c.item)} instead of ${nameOf(c.instead_of)}` : c.total ? `${grouped(c.total)} ${unit} of ${nameOf(c.item)} in all` : `${c.qty.startsWith("-") ? "" : "+"}${grouped(c.qty)} ${unit} of ${nameOf(c.item)}`;
		return el("li", { class: "line" }, el("span", {}, text), el("button", { type: "button", "aria-label": "Take out: " + text, onclick: () => { x.changes.splice(x.changes.indexOf(c), 1); draw(); } }, "Take out"));
	}

	// change asks for a material and how its use differs.
	function change() {
		const options = (first) => [first, ...find("").filter((i) => i.type !== "good").map((i) => el("option", { value: i.item }, i.name))];
		const item = el("select", { id: "material" }, options(el("option", { value: "" }, "Choose\u2026")));
		const how = el("select", { id: "how", onchange: show }, [["more", "more than the spec says"], ["fewer", "fewer than the spec says"], ["total", "in all"], ["instead", "in all, instead of another"]].map(([v, t]) => el("option", { value: v }, t)));
		const other = el("select", { id: "other" }, options(el("option", { value: "" }, "Choose\u2026")));
		const otherRow = el("p", { hidden: true }, el("label", { for: "other" }, "Instead of"), other);
		const qty = el("input", { id: "qty", type: "text", inputmode: "decimal", autocomplete: "off" });
		const fault = el("p", { role: "alert", class: "wrong" });
		const form = el("form", { class: "form", onsubmit: (e) => { e.preventDefault(); put(); } }, el("h2", { tabindex: "-1" }, "A material used otherwise"),
			el("label", { for: "material" }, "Material"), item, el("label", { for: "qty" }, "How many, in its smallest unit"), qty, el("label", { for: "how" }, "That is"), how, otherRow, fault,
			el("div", { class: "actions" }, el("button", { class: "main" }, "Add it"), el("button", { type: "button", onclick: draw }, "Leave it")));
		function show() {
			otherRow.hidden = how.value !== "instead";
		}
		function put() {
			const n = canonical(qty.value.trim().replace(",", "."));
			if (item.value === "" || n === "" || millionths(n) === null || how.value === "instead" && other.value === "") {
				fault.textContent = item.value === "" ? "Choose a material." : n === "" || millionths(n) === null ? "Type how many, such as 2." : "Choose what it was instead of.";
				return;
			}
			if (n === "0" && (how.value === "more" || how.value === "fewer")) {
				fault.textContent = "Type a number above 0.";
				return;
			}
			x.changes.push({
				item: item.value, qty: how.value === "more" ? n : how.value === "fewer" ? "-" + n : undefined,
				total: how.value === "total" || how.value === "instead" ? n : undefined, instead_of: how.value === "instead" ? other.value : undefined,
			});
			draw();
		}
		fill(body, form);
		form.querySelector("h2").focus();
	}

	function keep() {
		const note = body.querySelector("#note").value.trim();
		x.note = note;
		if (Object.keys(x.lines).length === 0 && x.changes.length === 0 && note === "") differs.delete(number);
		else differs.set(number, x);
		ticked.add(number);
		location.hash = "#orders";
	}

	async function save() {
		x.note = body.querySelector("#note").value.trim();
		differs.set(number, x);
		fill(wrongs);
		if (closed()) return trouble(wrongs, { message: closed() });
		let result = null;
		try {
			result = await record([packFact(order)]);
		} catch (e) {
			trouble(wrongs, e);
		}
		if (!result) return;
		differs.delete(number);
		ticked.delete(number);
		said(body, result, [["To the orders", "#orders", true]]);
	}

	api().openOrders().then((list) => {
		order = list.find((o) => o.order === number);
		if (order) draw();
		else fill(body, el("p", {}, "This order isn't open any more."), el("p", { class: "actions" }, el("a", { class: "button main", href: "#orders" }, "To the orders")));
	}, (e) => trouble(wrongs, e));
	return { node, title: "Order " + number };
}
