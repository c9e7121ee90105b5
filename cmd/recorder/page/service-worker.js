// Stores the page's files, so that it opens without the desk. The build puts the list of files in: [path, SHA-256 of its content]. A version is installed only
// with all of its files, each compared with its hash, and what hasn't changed is taken from what is stored. It never takes over while another version is in use:
// the page asks for it when nobody is in the middle of something.

const files = /*FILES*/[];
const version = files.map(([path, hash]) => path + hash).join();
const store = "recorder-files";
const address = ([path, hash]) => new URL(path + "?" + hash, registration.scope).href;

self.addEventListener("install", (event) => event.waitUntil(install()));
self.addEventListener("activate", (event) => event.waitUntil(Promise.all([tidy(), self.clients.claim()])));

async function install() {
	const cache = await caches.open(store);
	await Promise.all(files.map(async (file) => {
		const at = address(file);
		if (await cache.match(at)) return;
		const answer = await fetch(at, { cache: "no-cache" });
		if (!answer.ok) throw new Error(`${file[0]}: ${answer.status}`);
		const body = await answer.arrayBuffer();
		if (await hashOf(body) !== file[1]) throw new Error(`${file[0]}: it isn't what the list says`);
		await cache.put(at, new Response(body, { headers: kept(answer.headers) }));
	}));
}

// kept are the heads that a stored answer needs; its coding is gone, because the body is stored as it is.
function kept(heads) {
	const list = new Headers();
	for (const name of ["content-type", "content-security-policy", "x-content-type-options", "referrer-policy", "cross-origin-opener-policy", "cross-origin-resource-policy", "permissions-policy"]) {
		if (heads.has(name)) list.set(name, heads.get(name));
	}
	return list;
}

async function hashOf(body) {
	const sum = new Uint8Array(await crypto.subtle.digest("SHA-256", body));
	return [...sum].map((b) => b.toString(16).padStart(2, "0")).join("");
}

// tidy lets go of files of earlier versions.
async function tidy() {
	const cache = await caches.open(store);
	const wanted = new Set(files.map(address));
	for (const request of await cache.keys()) if (!wanted.has(request.url)) await cache.delete(request);
}

self.addEventListener("fetch", (event) => {
	const url = new URL(event.request.url);
	if (event.request.method !== "GET" || url.origin !== location.origin || url.search !== "") return;
	const path = url.pathname === "/" ? "index.html" : url.pathname.slice(1);
	const file = files.find(([name]) => name === path);
	if (!file) return; // pairing and downloads are the desk's
	event.respondWith(caches.open(store).then((cache) => cache.match(address(file))).then((found) => found ?? fetch(event.request)));
});

self.addEventListener("message", (event) => {
	if (event.data === "switch") self.skipWaiting();
	if (event.data === "version") named().then((name) => event.source.postMessage({ version: name }));
});

async function named() {
	return hashOf(new TextEncoder().encode(version));
}
