// The words of the page that more than one place says.

import { grouped } from "./amount.js";
import { shop } from "./ledger.js";

export function plural(n, one, more) {
	return `${grouped(String(n))} ${n === 1 ? one : more}`;
}

// day: "Tue 3 Mar", with the year where it isn't this one. In the shop's zone.
export function day(instant) {
	const at = new Date(instant);
	if (Number.isNaN(at.getTime())) return "";
	const parts = Object.fromEntries(format({ weekday: "short", day: "numeric", month: "short", year: "numeric" }).formatToParts(at).map((p) => [p.type, p.value]));
	const now = format({ year: "numeric" }).format(new Date());
	return `${parts.weekday} ${parts.day} ${parts.month}` + (parts.year === now ? "" : " " + parts.year);
}

export function clock(instant) {
	if (Number.isNaN(new Date(instant).getTime())) return "";
	return format({ hour: "2-digit", minute: "2-digit", hourCycle: "h23" }).format(new Date(instant));
}

// when: the time alone for today, else the day with it.
export function when(instant) {
	return day(instant) === day(Date.now()) ? "today " + clock(instant) : day(instant) + " " + clock(instant);
}

function format(parts) {
	try {
		return new Intl.DateTimeFormat("en-GB", { ...parts, timeZone: shop().zone || undefined });
	} catch {
		return new Intl.DateTimeFormat("en-GB", parts); // a phone that doesn't know the zone
	}
}

// now is this moment as a fact says it: with the phone's offset.
export function now() {
	const at = new Date();
	const offset = -at.getTimezoneOffset();
	const two = (n) => String(Math.abs(n)).padStart(2, "0");
	const local = new Date(at.getTime() + offset * 60000).toISOString().slice(0, 23);
	return local + (offset < 0 ? "-" : "+") + two(Math.trunc(offset / 60)) + ":" + two(offset % 60);
}

export function unitWord(unit, qty) {
	return unit === "each" ? (qty === "1" ? "piece" : "pieces") : unit;
}

// onHand: "1,240 pieces".
export function onHand(qty, unit) {
	return qty === undefined || qty === null ? "" : `${grouped(qty)} ${unitWord(unit, qty)}`;
}

export const states = {
	kept: "kept here",
	sent: "sent",
	safe: "safe",
};

// standingLine is the sentence at the top.
export function standingLine(s) {
	if (!s) return "Opening the ledger";
	const kept = Number(s.kept), sent = Number(s.sent);
	if (kept > 0) {
		const since = day(s.oldest);
		return kept === 1 ? "1 entry is only on this phone" + (since && `, since ${since}`) : plural(kept, "entry", "entries") + " are only on this phone" + (since && `, the oldest since ${since}`);
	}
	if (sent > 0) return `${plural(sent, "entry is", "entries are")} sent, not yet confirmed as safe`;
	return Number(s.safe) > 0 ? "All entries of this phone are safe" : "Nothing recorded on this phone yet";
}

// standingMeans says what that means and what to do.
export function standingMeans(s) {
	if (!s) return "";
	if (Number(s.kept) > 0) return (Number(s.kept) === 1 ? "It is safe once the desk has it" : "They are safe once the desk has them") + ": start countback serve there, and open this page in the same network." + (old(s.oldest) ? " If that isn't possible soon, keep a copy of the ledger as a file." : "");
	if (Number(s.sent) > 0) return "What was sent lies on the desk's bus. The desk confirms it once it is written down there.";
	if (Number(s.safe) > 0) return "Each of them stands on another device's disk as well.";
	return "What you record is kept on this phone at once, and goes to the desk when it can be reached.";
}

function old(instant) {
	return instant && Date.now() - new Date(instant).getTime() > 2 * 24 * 3600 * 1000;
}

export const reasons = [
	["damaged", "Damaged"], ["spoiled", "Spoiled"], ["expired", "Expired"], ["sample", "Sample"], ["gift", "Gift"], ["own_use", "Own use"], ["other", "Other"],
];
