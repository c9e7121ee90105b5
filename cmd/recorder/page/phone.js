// About this phone: what is only here, what is safe, how well it is kept, and the ledger as a file.

import { el, fill } from "./element.js";
import { api, known, refresh, shop, watch } from "./ledger.js";
import { trustWords } from "./pairing.js";
import { sentence, trouble } from "./recording.js";
import { state, switchVersion } from "./offline.js";
import { plural, standingLine, standingMeans } from "./words.js";

export function phoneScreen() {
	const body = el("div", {});
	const wrongs = el("div", {});
	const done = el("p", { role: "status" });
	const file = el("input", { id: "file", type: "file", class: "unseen", onchange: () => takeIn() });
	const node = el("div", { class: "screen" }, el("h1", { tabindex: "-1" }, "This phone"), body, done, wrongs);
	let open = new Set();

	let drawnFor = "";
	function draw() {
		const s = known.standing ?? {};
		const shows = JSON.stringify([s, known.open, state.untrusted, state.offline, state.version, !!state.update]);
		if (shows === drawnFor) return; // what somebody reads or touches stays where it is
		drawnFor = shows;
		open = new Set([...body.querySelectorAll("details[open] > summary")].map((d) => d.textContent));
		fill(body,
			el("p", {}, el("b", {}, standingLine(known.standing) + ". "), standingMeans(known.standing)),
			el("dl", { class: "facts" }, facts(s).map(([name, value]) => el("div", {}, el("dt", {}, name), el("dd", {}, value)))),
			warnings(s).map((w) => el("p", { class: "soon" }, w)),
			el("h2", {}, "The ledger as a file"),
			el("p", {}, "The file holds the whole ledger with the entries of this phone, and no keys. A lost desk is made anew from it, and another device takes it in where there is no network."),
			el("div", { class: "actions" }, el("button", { type: "button", class: "main", onclick: () => give() }, "Save the ledger as a file"), el("button", { type: "button", onclick: () => file.click() }, "Take a file in"), s.at_desk ? null : el("button", { type: "button", onclick: () => api().retry() }, "Try the desk now"), el("label", { for: "file", class: "unseen" }, "Hand-over file"), file),
			state.update ? el("div", {}, el("h2", {}, "A new version is ready"), el("p", {}, "Nothing that was recorded is touched by it."), el("div", { class: "actions" }, el("button", { type: "button", onclick: () => switchVersion() }, "Switch to it now"))) : null,
			el("h2", {}, "The desk"), trustWords());
		for (const d of body.querySelectorAll("details")) if (open.has(d.querySelector("summary").textContent)) d.open = true;
	}

	function facts(s) {
		const device = known.open?.device ?? {};
		return [
			["Shop", shop().name], ["This phone", [device.name, device.id].filter(Boolean).join(", ")],
			["Desk", s.at_desk ? (s.filling ? "reached; what others recorded is coming in" : "reached") : s.why || "not reached at the moment"],
			["Kept here only", s.kept === undefined ? "" : plural(Number(s.kept), "entry", "entries")], ["Sent", s.sent === undefined ? "" : plural(Number(s.sent), "entry", "entries")], ["Safe", s.safe === undefined ? "" : plural(Number(s.safe), "entry", "entries")],
			["Opens without the desk", state.untrusted ? "no: its certificate isn't trusted" : state.offline ? "yes" : "not yet: the page is still being stored"],
			["Storage", s.persistence === "granted" ? "kept until you clear it" : s.persistence === "denied" ? "may be cleared by the browser when space is short" : "not asked yet"],
			["Version", state.version ? state.version.slice(0, 12) : ""],
		].filter(([, value]) => value);
	}

	function warnings(s) {
		const list = [];
		if (s.persistence === "denied") list.push("The browser hasn't promised to keep this page's storage. Put the page on the home screen, and let entries become safe soon.");
		if (Number(s.waiting) > 0) list.push(`${plural(Number(s.waiting), "event", "events")} of other devices wait for those before them. They come by themselves.`);
		if (Number(s.quarantined) > 0) list.push(`${plural(Number(s.quarantined), "event", "events")} that came here couldn't be verified and are kept aside. At the desk, countback review lists them.`);
		return list;
	}

	async function give() {
		fill(wrongs);
		try {
			const blob = await api().handover();
			const name = `${(shop().name ?? "ledger").toLowerCase().replace(/[^a-z0-9]+/g, "-")}-${new Date().toISOString().slice(0, 10)}.countback`;
			const address = URL.createObjectURL(blob);
			const a = el("a", { href: address, download: name });
			document.body.append(a);
			a.click();
			a.remove();
			setTimeout(() => URL.revokeObjectURL(address), 60000);
			done.textContent = `Saved as ${name}, ${Math.ceil(blob.size / 1024)} KiB. Keep it somewhere else than on this phone.`;
		} catch (e) {
			trouble(wrongs, e);
		}
	}

	async function takeIn() {
		if (file.files.length === 0) return;
		fill(wrongs);
		done.textContent = "The file is being read.";
		try {
			const came = await api().takeHandover(file.files[0]);
			const waiting = Number(came.waiting) > 0 ? ` ${plural(Number(came.waiting), "event waits", "events wait")} for others.` : "";
			done.textContent = `${plural(Number(came.new), "event", "events")} came in; the ledger has ${plural(Number(came.events), "event", "events")}.${waiting} ` + (came.reports ?? []).map(sentence).join(" ");
			await refresh();
		} catch (e) {
			done.textContent = "";
			trouble(wrongs, e);
		}
		file.value = "";
	}

	draw();
	return { node, title: "This phone", leave: watch(draw) };
}
