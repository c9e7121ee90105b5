// The service worker, which lets the page open without the desk, and new versions of the page.

import { tell } from "./ledger.js";

export const state = {
	offline: false, // the page is stored and opens without the desk
	untrusted: false, // the browser refuses to store it: the desk's certificate isn't trusted
	update: null, // a worker of a new version that waits
	version: "",
};

const idleFor = 60 * 1000; // without a touch, before a new version is switched to

// register stores the page. busy says whether somebody is in the middle of something.
export async function register(busy) {
	if (!("serviceWorker" in navigator)) {
		state.untrusted = !globalThis.isSecureContext;
		return tell();
	}
	navigator.serviceWorker.addEventListener("message", (e) => {
		if (e.data?.version) {
			state.version = e.data.version;
			tell();
		}
	});
	let had = !!navigator.serviceWorker.controller;
	navigator.serviceWorker.addEventListener("controllerchange", () => {
		if (had) location.reload(); // another version has taken over
		had = true;
		stored();
	});
	let registration;
	try {
		registration = await navigator.serviceWorker.register("service-worker.js", { updateViaCache: "none" });
	} catch (e) {
		// A browser refuses the script where the certificate isn't trusted; one that only can't reach the desk leaves what was stored before.
		state.untrusted = !navigator.serviceWorker.controller && (e?.name === "SecurityError" || navigator.onLine);
		return tell();
	}
	const ready = (worker) => {
		if (!worker || worker.state !== "installed" || !navigator.serviceWorker.controller) return;
		state.update = worker;
		tell();
	};
	ready(registration.waiting);
	registration.addEventListener("updatefound", () => {
		const worker = registration.installing;
		worker?.addEventListener("statechange", () => ready(worker));
	});
	navigator.serviceWorker.ready.then(stored);
	watchIdle(busy, registration);
}

function stored() {
	state.offline = true;
	state.untrusted = false;
	navigator.serviceWorker.controller?.postMessage("version");
	tell();
}

// watchIdle switches to a new version when nobody looks, or nothing was touched for a while, and looks for one now and then.
function watchIdle(busy, registration) {
	let touched = Date.now();
	for (const name of ["pointerdown", "keydown", "input"]) addEventListener(name, () => { touched = Date.now(); }, { passive: true });
	const look = () => {
		if (state.update && !busy() && (document.hidden || Date.now() - touched > idleFor)) switchVersion();
	};
	setInterval(look, 5000);
	document.addEventListener("visibilitychange", () => {
		if (document.hidden) look();
		else registration.update().catch(() => {}); // the desk can't be reached, and the stored version goes on
	});
}

export function switchVersion() {
	state.update?.postMessage("switch");
}
