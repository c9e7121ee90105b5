// The page's beginning: opens the ledger, shows the screen that the address names, and what stands at the top of each.

import { carry, run } from "./module.js";
import { el, fill } from "./element.js";
import { api, known, listen, load, refresh, watch } from "./ledger.js";
import { register, state, switchVersion } from "./offline.js";
import { closed } from "./recording.js";
import { aboutScreen, entryScreen } from "./entry.js";
import { barcodeScreen, rememberScreen } from "./barcode.js";
import { itemsScreen } from "./items.js";
import { entriesScreen } from "./entries.js";
import { orderScreen, ordersScreen } from "./orders.js";
import { joinedScreen, joinScreen, waitingScreen, welcomeScreen } from "./pairing.js";
import { phoneScreen } from "./phone.js";
import { roundScreen } from "./round.js";
import { standingLine } from "./words.js";

const main = document.getElementById("main");
const standing = document.getElementById("standing");
const notices = document.getElementById("notices");
const places = document.getElementById("places");

// The screens by the first word of the address behind #; the rest are its arguments.
const screens = {
	items: itemsScreen, item: entryScreen, about: aboutScreen, barcode: barcodeScreen, remember: rememberScreen,
	orders: ordersScreen, order: orderScreen, round: roundScreen, entries: entriesScreen, phone: phoneScreen, joined: joinedScreen,
};
const placeOf = { item: "items", about: "items", barcode: "items", remember: "items", order: "orders", phone: "entries" };

let current = null;
let reached = "";

// show draws the screen of the address.
function show() {
	const [word, ...rest] = location.hash.slice(1).split("/").map(decoded);
	if (location.hash === "#main") return;
	if (word === "joining" && current) return;
	if (word === "again") {
		reached = "";
		return location.replace("#" + (["orders", "round"].includes(rest[0]) ? rest[0] : "item/" + encodeURIComponent(rest[0] ?? "")));
	}
	if (location.hash === reached && current) return;
	current?.leave?.();
	const joining = word === "pair" || word === "recover";
	const screen = joining ? joinScreen(word, ...rest) : !known.open || known.open.state === "new" ? (known.open?.joining ? waitingScreen() : welcomeScreen()) : (screens[word] ?? itemsScreen)(...rest);
	reached = joining ? "#joining" : location.hash;
	current = screen;
	fill(main, screen.node);
	document.title = screen.title + " \u00b7 Recorder";
	document.body.classList.toggle("with-keypad", !!screen.keypad);
	const place = placeOf[word] ?? (screens[word] ? word : "items");
	for (const a of places.children) {
		if (a.getAttribute("href") === "#" + place) a.setAttribute("aria-current", "page");
		else a.removeAttribute("aria-current");
	}
	scrollTo(0, 0);
	if (began) main.querySelector("h1")?.focus({ preventScroll: true });
	began = true;
}
let began = false;

function decoded(text) {
	try {
		return decodeURIComponent(text);
	} catch {
		return text;
	}
}

// top draws what stands above every screen: where entries stand, and what the person has to know at once.
function top() {
	const s = known.standing;
	const belongs = known.open && known.open.state !== "new";
	places.hidden = !belongs;
	const line = belongs ? standingLine(s) : known.open ? "Recorder" : "Opening the ledger";
	if (standing.textContent !== line) standing.textContent = line;
	standing.className = Number(s?.kept) > 0 ? "kept" : "";
	const list = [];
	if (closed()) list.push(el("p", { class: "soon" }, closed()));
	if (known.open?.state === "foreign") list.push(el("p", { class: "soon" }, "Another shop's desk answers at this address. Entries are kept here, and go to this phone's own desk once it is back."));
	if (s?.full) list.push(el("p", { class: "wrong" }, "This phone's storage is full. Nothing more can be recorded until there is room: remove photos or other apps' data, and let the desk have what is here."));
	if (s?.too_many) list.push(el("p", { class: "soon" }, "The ledger has grown beyond what this phone reads. Recording goes on; figures of stock are at the desk."));
	const ahead = Number(s?.clock_ahead_ms ?? 0);
	if (Math.abs(ahead) > 2 * 60 * 1000) list.push(el("p", { class: "soon" }, `This phone's clock is ${apart(Math.abs(ahead))} ${ahead > 0 ? "ahead of" : "behind"} the desk's. Set it right, or entries stand at wrong times.`));
	if (state.update) list.push(el("p", {}, "A new version is ready. ", el("button", { type: "button", onclick: () => switchVersion() }, "Switch now")));
	if (carrierFault) list.push(el("p", { class: "soon" }, `Entries can't go to the desk at the moment (${carrierFault}). They are kept here.`));
	const text = list.map((n) => n.textContent).join("\n");
	if (text !== noticed) fill(notices, list);
	noticed = text;
}
let noticed = "", carrierFault = "";

function apart(ms) {
	const minutes = Math.round(ms / 60000);
	return minutes < 120 ? `${minutes} minutes` : minutes < 48 * 60 ? `${Math.round(minutes / 60)} hours` : `${Math.round(minutes / 1440)} days`;
}

function stopped(fault) {
	standing.textContent = "The ledger can't be opened";
	fill(main, el("div", { class: "screen" }, el("h1", { tabindex: "-1" }, "The ledger can't be opened"), el("p", { role: "alert" }, String(fault?.message ?? fault) + "."),
		fault?.hint ? el("p", {}, fault.hint) : null,
		el("p", {}, "Nothing that was recorded is lost by that: it is stored on this phone. Open the page again; if that doesn't help, restart the browser."),
		el("p", { class: "actions" }, el("button", { type: "button", class: "main", onclick: () => location.reload() }, "Open it again"))));
}

// busy reports that somebody is in the middle of something, so that no new version may take over.
function busy() {
	return !!current?.busy?.() || !!document.querySelector("dialog[open]") || /^(INPUT|TEXTAREA|SELECT)$/.test(document.activeElement?.tagName ?? "") && document.activeElement.value !== "";
}

async function begin() {
	await run(stopped);
	listen({
		paired: async () => {
			await load();
			current?.leave?.();
			current = null;
			location.hash = "#joined";
			show();
			await api().persist().catch(() => {}); // a browser that can't say keeps it as it does
			await refresh();
		},
		refused: (e) => current?.refused?.(e?.detail?.message ?? "The desk has ended the joining. Start countback pair there again."),
		fault: () => {},
	});
	await load();
	watch(top);
	top();
	show();
	addEventListener("hashchange", show);
	document.documentElement.dataset.ready = "yes"; // the page can be used from here on
	setTimeout(later, 0);
}

// later is all that the keypad doesn't wait for.
function later() {
	carry((why) => { carrierFault = why; top(); });
	register(busy).catch(() => {});
	refresh().catch(() => {}); // the figures come with the next change
}

begin().catch(stopped);
