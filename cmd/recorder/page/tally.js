// A tally is an amount while it is typed: parts like "2 boxes" and "17 pieces", the last of which is still open, or a weight with its container.

import { add, canonical, decimal, grouped, millionths, times } from "./amount.js";

const most = 12; // digits before the point that the ledger takes

// unitsOf lists how an item can be typed: its packs, the largest first, then the base unit, then measures, and by weight where pieces have one.
export function unitsOf(item, { measures = true, weight = true } = {}) {
	const base = item.unit === "each" ? "pieces" : item.unit;
	const bySize = (a, b) => (millionths(b.units) > millionths(a.units) ? 1 : -1);
	const list = (item.packs ?? []).toSorted(bySize).map((p) => ({ key: "pack " + p.name, kind: "pack", name: p.name, label: p.name, holds: p.units, base }));
	list.push({ key: "base", kind: "base", name: "", label: base, holds: "1", base });
	if (measures) for (const m of item.measures ?? []) list.push({ key: "measure " + m.name, kind: "measure", name: m.name, label: m.name, holds: m.units, base });
	if (weight && (item.unit === "g" || item.piece_weight)) list.push({ key: "weight", kind: "weight", name: "", label: "by weight", holds: "1", base });
	return list;
}

// The grams in a unit of weight; ounce and pound are those of the ledger.
export const weights = { g: "1", kg: "1000", oz: "28.349523125", lb: "453.59237" };

export class Tally {
	constructor(units, first) {
		this.units = units;
		this.unit = units.find((u) => u.key === first) ?? units.find((u) => u.kind === "base") ?? units[0];
		this.clear();
	}

	clear() {
		this.parts = []; // {unit, qty}
		this.text = "";
		this.gross = "";
		this.tare = "";
		this.filling = "gross";
		this.weightUnit ??= "g";
	}

	get weighing() {
		return this.unit.kind === "weight";
	}

	get open() {
		return this.weighing ? this[this.filling] : this.text;
	}

	set open(text) {
		if (this.weighing) this[this.filling] = text;
		else this.text = text;
	}

	// press takes a key: a digit, "00", ".", "erase", "clear" or "and".
	press(key) {
		const text = this.open;
		if (key === "erase") {
			if (text === "" && this.parts.length > 0 && !this.weighing) {
				const last = this.parts.pop();
				this.unit = last.unit;
				this.text = last.qty;
			} else this.open = text.slice(0, -1);
		} else if (key === "clear") this.clear();
		else if (key === "and") this.and();
		else if (key === ".") {
			if (!text.includes(".")) this.open = (text || "0") + ".";
		} else {
			const next = text === "0" ? key.replace(/^0+/, "") || "0" : text + key;
			const [whole, part = ""] = next.split(".");
			if (whole.length <= most && part.length <= 6) this.open = next;
		}
	}

	// and closes the open part, so that another one can follow it in another unit.
	and() {
		const qty = canonical(this.text);
		if (this.weighing || qty === "") return;
		const same = this.parts.find((p) => p.unit.key === this.unit.key);
		if (same) same.qty = add(same.qty, qty);
		else this.parts.push({ unit: this.unit, qty });
		this.text = "";
		const loose = this.units.find((u) => u.kind === "base");
		if (loose) this.unit = loose;
	}

	choose(key) {
		const unit = this.units.find((u) => u.key === key);
		if (!unit) return;
		if (unit.kind === "weight") this.parts = [];
		this.unit = unit;
	}

	// all are the parts, the open one too.
	all() {
		const qty = canonical(this.text);
		if (this.weighing) return [];
		if (qty === "") return this.parts;
		const list = this.parts.map((p) => ({ ...p }));
		const same = list.find((p) => p.unit.key === this.unit.key);
		if (same) same.qty = add(same.qty, qty);
		else list.push({ unit: this.unit, qty });
		return list;
	}

	get empty() {
		return this.weighing ? canonical(this.gross) === "" : this.all().length === 0;
	}

	// total is the amount in base units; "" for a weight, which the ledger works out.
	get total() {
		if (this.weighing || this.empty) return "";
		return this.all().reduce((sum, p) => add(sum, times(p.qty, p.unit.holds)), "0");
	}

	// about is how many pieces a weight comes to, in whole ones, to look at only; "" where it can't be said.
	about(pieceWeight) {
		const gross = millionths(canonical(this.gross) || "x");
		const tare = millionths(canonical(this.tare) || "0");
		const factor = millionths(weights[this.weightUnit].slice(0, 9));
		const each = millionths(pieceWeight ?? "1");
		if (gross === null || tare === null || !each || gross < tare) return "";
		const pieces = ((gross - tare) * factor / each + 500000n) / 1000000n;
		return decimal(pieces * 1000000n);
	}

	// words says the amount as it was typed.
	words() {
		if (this.weighing) {
			const tare = canonical(this.tare);
			return `${grouped(canonical(this.gross) || "0")} ${this.weightUnit}` + (tare && tare !== "0" ? ` less ${grouped(tare)} ${this.weightUnit}` : "");
		}
		return this.all().map((p) => amountWords(p.qty, p.unit)).join(" + ");
	}

	// kept is what is left of a tally when the phone sleeps; from takes it back.
	kept() {
		return {
			unit: this.unit.key, text: this.text, gross: this.gross, tare: this.tare, filling: this.filling, weightUnit: this.weightUnit,
			parts: this.parts.map((p) => ({ unit: p.unit.key, qty: p.qty })),
		};
	}

	from(kept) {
		if (!kept) return this;
		this.unit = this.units.find((u) => u.key === kept.unit) ?? this.unit;
		for (const name of ["text", "gross", "tare", "filling", "weightUnit"]) this[name] = kept[name] ?? this[name];
		this.parts = (kept.parts ?? []).flatMap((p) => {
			const unit = this.units.find((u) => u.key === p.unit);
			return unit ? [{ unit, qty: p.qty }] : [];
		});
		return this;
	}
}

// amountWords: "2 × box", "17 pieces", "1 piece".
export function amountWords(qty, unit) {
	if (unit.kind === "base") return grouped(qty) + " " + (unit.label === "pieces" && qty === "1" ? "piece" : unit.label);
	return grouped(qty) + " × " + unit.label;
}
