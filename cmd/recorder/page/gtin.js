// GTINs, the numbers below the bars of supplier packs: 8, 12, 13 or 14 digits, of which the last is the check digit.

// checked reports whether the last digit is right: from the right the digits before it count three times and once in turn, and it fills the sum up to a multiple
// of ten (GS1 General Specifications, section 7.9.1, "Standard check digit calculations for GS1 data structures").
export function checked(digits) {
	if (!/^(\d{8}|\d{12,14})$/.test(digits)) return false;
	let sum = 0;
	for (let i = 0; i < digits.length - 1; i++) {
		const fromRight = digits.length - 2 - i;
		sum += Number(digits[i]) * (fromRight % 2 === 0 ? 3 : 1);
	}
	return (10 - sum % 10) % 10 === Number(digits.at(-1));
}

// same reports whether two barcodes are the same number: readers give a 12-digit number with or without the 0 that makes it one of 13 or 14.
export function same(a, b) {
	if (!a || !b) return false;
	if (a === b) return true;
	return checked(a) && checked(b) && a.padStart(14, "0") === b.padStart(14, "0");
}
