// A count round: the items of a place in the order of its shelves, blind, one after the other. What was typed is kept at each key, and becomes part of the ledger
// at the end of the round.

import { grouped } from "./amount.js";
import { el, fill } from "./element.js";
import { countFacts } from "./entry.js";
import { keypad } from "./keypad.js";
import { api, known } from "./ledger.js";
import { closed, choose, record, trouble } from "./recording.js";
import { said } from "./said.js";
import { Tally, unitsOf } from "./tally.js";
import { ulid } from "./ulid.js";
import { clock, now, plural, unitWord } from "./words.js";

export function roundScreen() {
	const body = el("div", { class: "task" });
	const wrongs = el("div", {});
	const title = el("h1", { tabindex: "-1" }, "Count round");
	const node = el("div", { class: "screen entry" }, title, body, wrongs);
	let round = null; // {session, place, started, items, figures: {item: {tally, at}}, at}

	// keep writes the round down before anything else is done with it; writes follow one another.
	let writing = Promise.resolve();
	function keep() {
		const copy = structuredClone(round);
		writing = writing.then(() => api().keepRound(copy)).catch((e) => trouble(wrongs, { message: "The figures can't be kept on this phone: " + (e?.message ?? e) }));
		return writing;
	}

	function begin() {
		const places = [...new Set(known.items.filter((i) => !i.retired).map((i) => i.place).filter(Boolean))].toSorted((a, b) => a.localeCompare(b, undefined, { numeric: true }));
		title.textContent = "Count round";
		const shut = closed();
		fill(body, el("p", {}, "Walk along the shelves and type what you see. What should be there isn't shown, so that nobody counts towards it."),
			shut ? el("p", {}, shut) : null,
			el("div", { class: "choices" }, el("button", { type: "button", class: "choice main", disabled: !!shut, onclick: () => start("") }, "All places"), ...places.map((p) => el("button", { type: "button", class: "choice", disabled: !!shut, onclick: () => start(p) }, p))));
	}

	async function start(place) {
		try {
			const items = await api().round(place);
			if (items.length === 0) return trouble(wrongs, { message: "There is nothing to count there." });
			round = { session: (place ? place + " " : "round ") + now().slice(0, 16).replace("T", " "), place, started: now(), items, figures: {}, at: 0 };
			await keep();
			draw();
		} catch (e) {
			trouble(wrongs, e);
		}
	}

	const counted = () => round.items.filter((i) => round.figures[i.item]);
	const left = () => round.items.filter((i) => !round.figures[i.item]);

	function draw() {
		fill(wrongs);
		if (round.at >= round.items.length) return review();
		const item = round.items[round.at];
		title.textContent = item.name;
		const tally = new Tally(unitsOf(item)).from(round.figures[item.item]?.tally);
		const next = el("button", { type: "button", class: "main", onclick: () => go(round.at + 1) }, "Next");
		const pad = keypad(tally, {
			label: "Counted", base: unitWord(item.unit), pieceWeight: item.piece_weight,
			changed: () => {
				if (tally.empty) delete round.figures[item.item];
				else round.figures[item.item] = { tally: tally.kept(), at: now() };
				keep();
				offer();
			},
		});
		const offer = () => { fill(next, tally.empty ? "Skip" : "Next"); next.classList.toggle("main", !tally.empty); };
		offer();
		fill(body, el("p", { class: "small" }, [item.place, `${round.at + 1} of ${round.items.length}`, `${plural(counted().length, "counted", "counted")}`].filter(Boolean).join(" · ")),
			pad.node,
			el("div", { class: "verbs walk" }, el("button", { type: "button", disabled: round.at === 0, onclick: () => go(round.at - 1) }, "Back"),
				el("button", { type: "button", onclick: () => go(round.items.length) }, "Overview"), next));
	}

	function go(at) {
		round.at = Math.max(0, Math.min(at, round.items.length));
		keep();
		draw();
		title.focus();
		scrollTo(0, 0);
	}

	function review() {
		title.textContent = "Count round";
		const open = left();
		const line = (i) => {
			const kept = round.figures[i.item];
			const figure = kept ? new Tally(unitsOf(i)).from(kept.tally).words() : "not counted";
			return el("li", {}, el("button", { type: "button", class: "line", onclick: () => go(round.items.indexOf(i)) }, el("span", {}, el("span", { class: "name" }, i.name), " ", el("span", { class: "small" }, i.place)), el("span", { class: kept ? "figure" : "small" }, figure)));
		};
		fill(body, el("p", {}, `${grouped(String(counted().length))} of ${grouped(String(round.items.length))} counted, begun at ${clock(round.started)}. Kept on this phone until the round is recorded.`),
			open.length > 0 ? [el("h2", {}, "Skipped"), el("ul", { class: "lines" }, open.map(line))] : null,
			counted().length > 0 ? [el("h2", {}, "Counted"), el("ul", { class: "lines" }, counted().map(line))] : null,
			el("div", { class: "actions bar" }, el("button", { type: "button", class: "main", disabled: counted().length === 0 || !!closed(), onclick: () => save() }, "Record " + plural(counted().length, "count", "counts")),
				el("button", { type: "button", onclick: () => drop() }, "Throw the round away")));
	}

	async function save() {
		fill(wrongs);
		let result = null;
		try {
			// The ids of the facts are kept before they are recorded: a phone that is switched off in between records the same ones again, and they count once.
			const facts = counted().flatMap((i) => {
				const figure = round.figures[i.item];
				const list = countFacts(i, new Tally(unitsOf(i)).from(figure.tally), { session: round.session, time: figure.at });
				figure.ids ??= list.map(ulid);
				return list.map((fact, n) => ({ id: figure.ids[n], ...fact }));
			});
			await keep();
			result = await record(facts);
		} catch (e) {
			trouble(wrongs, e);
		}
		if (!result) return;
		await writing;
		await api().dropRound().catch(() => {}); // a round that stays is asked about
		round = null;
		title.textContent = "Count round";
		said(body, result, [["To the items", "#items", true], ["Another round", "#again/round"]]);
	}

	async function drop() {
		if (!(await choose("Throw the round away?", [`${plural(counted().length, "figure", "figures")} would be gone.`], [["Throw it away", true], ["Keep it", false]]))) return;
		await writing;
		await api().dropRound();
		round = null;
		begin();
	}

	api().keptRound().then((kept) => {
		round = kept ?? null;
		if (round) draw();
		else begin();
	}, (e) => trouble(wrongs, e));
	return { node, title: "Count round", busy: () => round !== null && round.at < round.items.length, keypad: true };
}
