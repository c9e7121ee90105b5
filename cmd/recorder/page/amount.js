// Exact decimals as text: "12", "0.5", "-3". They are computed as whole millionths, which is the scale of the ledger's quantities; nothing here is a float.

const places = 6;
const one = 10n ** BigInt(places);

// millionths reads a canonical decimal; null for what isn't one or has too many places.
export function millionths(text) {
	const m = /^(-?)(\d{1,15})(?:\.(\d{1,6}))?$/.exec(text);
	if (!m) return null;
	const n = BigInt(m[2]) * one + BigInt((m[3] ?? "").padEnd(places, "0"));
	return m[1] ? -n : n;
}

// decimal writes millionths in canonical form.
export function decimal(n) {
	const sign = n < 0n ? "-" : "";
	const size = n < 0n ? -n : n;
	const rest = (size % one).toString().padStart(places, "0").replace(/0+$/, "");
	return sign + (size / one).toString() + (rest ? "." + rest : "");
}

export function add(a, b) {
	return decimal(millionths(a) + millionths(b));
}

// times multiplies; what falls below a millionth is cut, which no quantity that was typed has.
export function times(a, b) {
	return decimal(millionths(a) * millionths(b) / one);
}

export function compare(a, b) {
	const d = millionths(a) - millionths(b);
	return d < 0n ? -1 : d > 0n ? 1 : 0;
}

// grouped puts a comma between the thousands, as the desk does.
export function grouped(text) {
	const m = /^(-?)(\d+)(\.\d+)?$/.exec(text ?? "");
	if (!m) return text ?? "";
	return m[1].replace("-", "\u2212") + m[2].replace(/\B(?=(\d{3})+$)/g, ",") + (m[3] ?? "");
}

// rounded is a figure as it is shown where there is little room: with two decimals at most, and a sign where more were there.
export function rounded(text) {
	const n = millionths(text ?? "");
	if (n === null || !/\.\d{3,}$/.test(text)) return grouped(text);
	const cent = one / 100n;
	const half = n < 0n ? -cent / 2n : cent / 2n;
	return "\u2248\u202f" + grouped(decimal((n + half) / cent * cent));
}

// canonical makes what was typed on a keypad ("007", "3.", ".50") canonical; "" for nothing typed.
export function canonical(typed) {
	if (!/\d/.test(typed)) return "";
	const [whole, part = ""] = typed.split(".");
	const kept = part.replace(/0+$/, "");
	return (whole.replace(/^0+(?=\d)/, "") || "0") + (kept ? "." + kept : "");
}
