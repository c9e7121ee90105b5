// ulid makes an id of a fact (ULID: 48 bits of time in milliseconds, 80 of chance, in Crockford's base 32). A fact that carries one is recorded once only, however
// often it is given.
export function ulid() {
	const letters = "0123456789ABCDEFGHJKMNPQRSTVWXYZ";
	let n = BigInt(Date.now());
	for (const byte of crypto.getRandomValues(new Uint8Array(10))) n = n << 8n | BigInt(byte);
	let text = "";
	for (let i = 0; i < 26; i++, n >>= 5n) text = letters[Number(n & 31n)] + text;
	return text;
}
