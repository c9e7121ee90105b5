// The keypad: what was typed, the units, the keys. It can be used by touch, by a screen reader, and by typing on a real keyboard.

import { grouped } from "./amount.js";
import { drawn, el, fill } from "./element.js";
import { weights } from "./tally.js";

const keys = [
	["1"], ["2"], ["3"], ["erase", "Erase the last digit"],
	["4"], ["5"], ["6"], ["clear", "Clear the number"],
	["7"], ["8"], ["9"], ["and", "And a further amount, in another unit"],
	["."], ["0"], ["00"],
];
const faces = { clear: "clear", and: "and" };

// keypad shows a tally and changes it. options: label of the number; base, the word for base units; pieceWeight; changed, told after each key; plain leaves out units
// and "and", for a single number.
export function keypad(tally, options) {
	const shown = el("output", { class: "typed", "aria-live": "polite", "aria-atomic": "true" });
	const means = el("p", { class: "means" });
	const choices = el("div", { class: "units", role: "group", "aria-label": "Unit" });
	const scale = el("div", { class: "scale", hidden: true });
	const node = el("div", { class: "keypad" },
		el("div", { class: "reading" }, shown, el("div", { class: "under" }, el("span", { class: "small" }, options.label ?? "Amount"), means)),
		options.plain ? null : choices, scale);
	const pad = el("div", { class: "keys" });
	for (const [key, label] of keys) {
		if (options.plain && key === "and") {
			pad.append(el("span", {}));
			continue;
		}
		pad.append(el("button", { type: "button", "data-key": key, class: faces[key] || key === "erase" ? "key word" : "key", "aria-label": label ?? (key === "." ? "Decimal point" : undefined), onclick: () => press(key) },
			key === "erase" ? drawn("erase") : faces[key] ?? key));
	}
	node.append(pad);

	function press(key) {
		tally.press(key);
		draw();
		options.changed?.();
	}

	// draw brings the display up to date; the keys themselves never change, so that focus stays where it is.
	function draw() {
		shown.textContent = tally.weighing ? tally.words() : [...tally.parts.map((p) => `${grouped(p.qty)} × ${p.unit.label}`.replace("× pieces", "pieces")), typed()].filter(Boolean).join(" + ") || "0";
		shown.style.setProperty("--letters", shown.textContent.length);
		means.textContent = meaning();
		for (const button of choices.children) button.setAttribute("aria-pressed", String(button.dataset.unit === tally.unit.key));
		scale.hidden = !tally.weighing;
		if (tally.weighing) drawScale();
	}

	function typed() {
		if (tally.text === "") return tally.parts.length > 0 ? "…" : "";
		const [whole, part] = tally.text.split(".");
		const number = grouped(whole) + (part === undefined ? "" : "." + part);
		return options.money ? number + " " + options.money : number + (options.plain ? "" : tally.unit.kind === "base" ? " " + tally.unit.label : " × " + tally.unit.label);
	}

	function meaning() {
		if (tally.weighing) {
			const n = tally.about(options.pieceWeight);
			return n === "" ? "" : `about ${grouped(n)} ${options.base}`;
		}
		const total = tally.total;
		const single = tally.parts.length === 0 && tally.unit.kind === "base";
		return options.plain || total === "" || single ? options.hint ?? "" : `= ${grouped(total)} ${options.base}`;
	}

	function drawScale() {
		fill(scale,
			...[["gross", "On the scale", tally.gross], ["tare", "Empty container", tally.tare]].map(([name, label, value]) =>
				el("button", { type: "button", class: "unit", "aria-pressed": String(tally.filling === name), onclick: () => { tally.filling = name; draw(); scale.children[name === "gross" ? 0 : 1].focus(); } }, label + " ", el("b", {}, grouped(value || "0")))),
			el("label", { class: "small" }, "in ", el("select", { onchange: (e) => { tally.weightUnit = e.target.value; draw(); options.changed?.(); } },
				...Object.keys(weights).map((w) => el("option", { value: w, selected: w === tally.weightUnit }, w)))));
	}

	for (const unit of tally.units) {
		const named = unit.kind === "pack" || unit.kind === "measure";
		const holds = named ? el("span", { class: "small" }, el("span", { class: "unseen" }, " of "), " " + grouped(unit.holds), el("span", { class: "unseen" }, " " + unit.base)) : null;
		choices.append(el("button", { type: "button", class: "unit", "data-unit": unit.key, onclick: () => { tally.choose(unit.key); draw(); options.changed?.(); } }, unit.label, holds));
	}

	function typedKey(e) {
		if (!node.isConnected) return document.removeEventListener("keydown", typedKey);
		if (e.ctrlKey || e.metaKey || e.altKey || e.target.closest?.("input, select, textarea, dialog[open]")) return;
		const key = { Backspace: "erase", Delete: "clear", "+": "and", ",": "." }[e.key] ?? e.key;
		if (!/^[0-9.]$/.test(key) && !["erase", "clear", "and"].includes(key) || options.plain && key === "and") return;
		e.preventDefault();
		press(key);
	}
	document.addEventListener("keydown", typedKey);
	draw();
	return { node, draw };
}
