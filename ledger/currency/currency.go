// Package currency knows the currencies of ISO 4217 and how many decimal places their minor unit has.
//
// The table holds the active codes of list one (table A.1) that have a minor unit, as the open data set datasets/currency-codes
// printed them after March 2025 (with XCG, the Caribbean guilder, and without ANG). Codes without a minor unit, such as metals, bond units, XDR, XTS and
// XXX, are left out: no price is given in them and there is nothing to round to. BGN, which Bulgaria gave up for the euro at the start of 2026 (from
// memory), stays, so that older bills can be entered.
package currency

import (
	"slices"
	"strings"
)

// byDigits lists the codes by the digits of their minor unit.
var byDigits = map[int]string{
	0: "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX UYI VND VUV XAF XOF XPF",
	2: "AED AFN ALL AMD AOA ARS AUD AWG AZN BAM BBD BDT BGN BMD BND BOB BOV BRL BSD BTN BWP BYN BZD CAD CDF CHE CHF CHW CNY COP COU " +
		"CRC CUP CVE CZK DKK DOP DZD EGP ERN ETB EUR FJD FKP GBP GEL GHS GIP GMD GTQ GYD HKD HNL HTG HUF IDR ILS INR IRR JMD KES KGS " +
		"KHR KPW KYD KZT LAK LBP LKR LRD LSL MAD MDL MGA MKD MMK MNT MOP MRU MUR MVR MWK MXN MXV MYR MZN NAD NGN NIO NOK NPR NZD PAB " +
		"PEN PGK PHP PKR PLN QAR RON RSD RUB SAR SBD SCR SDG SEK SGD SHP SLE SOS SRD SSP STN SVC SYP SZL THB TJS TMT TOP TRY TTD TWD " +
		"TZS UAH USD USN UYU UZS VED VES WST XCD XCG YER ZAR ZMW ZWG",
	3: "BHD IQD JOD KWD LYD OMR TND",
	4: "CLF UYW",
}

var digits, codes = index()

func index() (map[string]int, []string) {
	places := map[string]int{}
	var all []string
	for n, list := range byDigits {
		for code := range strings.FieldsSeq(list) {
			places[code] = n
			all = append(all, code)
		}
	}
	slices.Sort(all)
	return places, all
}

// Digits returns the decimal places of the currency's minor unit, 0 to 4, and whether the code is one of the table. Codes are
// three capitals.
func Digits(code string) (int, bool) {
	n, ok := digits[code]
	return n, ok
}

// Codes returns all codes of the table in alphabetical order. The slice is the caller's.
func Codes() []string { return slices.Clone(codes) }
