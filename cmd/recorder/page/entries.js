// What was recorded lately, where each entry is by now, and taking one back.

import { drawn, el, fill } from "./element.js";
import { api, known, watch } from "./ledger.js";
import { closed, takeBack, trouble } from "./recording.js";
import { whyBack } from "./said.js";
import { standingLine, standingMeans, states, when } from "./words.js";

const shown = 60;

export function entriesScreen() {
	const list = el("ul", { class: "lines entries" });
	const top = el("div", {});
	const wrongs = el("div", {});
	const node = el("div", { class: "screen" }, el("h1", { tabindex: "-1" }, "Entries"), top, wrongs, list,
		el("p", { class: "actions" }, el("a", { class: "button", href: "#phone" }, "About this phone")));

	async function read() {
		const s = known.standing;
		const open = top.querySelector("details")?.open;
		fill(top, el("p", {}, el("b", {}, standingLine(s) + ". "), standingMeans(s)), el("details", { open }, el("summary", {}, "What kept here, sent and safe mean"), el("dl", { class: "states" },
			...[["kept", "only on this phone"], ["sent", "on the desk's bus, not yet confirmed"], ["safe", "on another device's disk"]].map(([state, means]) => el("div", {}, el("dt", {}, drawn(state), " ", states[state]), el("dd", {}, means))))));
		try {
			const entries = await api().recent(shown);
			fill(list, entries.length === 0 ? el("li", { class: "nothing" }, "Nothing has been recorded yet.") : entries.map(line));
		} catch (e) {
			trouble(wrongs, e);
		}
	}

	function line(e) {
		const back = e.own && !e.reversed && e.kind !== "reverse" && e.kind !== "device" && e.kind !== "item" && e.kind !== "decide";
		return el("li", { class: "entry-line", "data-event": e.id },
			el("span", {}, el("span", { class: e.reversed ? "name gone" : "name" }, e.text), el("span", { class: "small" }, el("span", { class: "state " + e.state }, drawn(e.state), " ", states[e.state] ?? e.state), " · " + [when(e.time), e.own ? "" : "another device", e.reversed ? "taken back" : ""].filter(Boolean).join(" · "))),
			back ? el("button", { type: "button", disabled: !!closed(), "aria-label": "Take back: " + e.text, onclick: () => undo(e) }, "Take back") : null);
	}

	async function undo(e) {
		fill(wrongs);
		try {
			const reason = await whyBack();
			if (reason !== null && await takeBack(e.id, reason)) await read();
		} catch (fault) {
			trouble(wrongs, fault);
		}
	}

	read();
	return { node, title: "Entries", leave: watch(read) };
}
