package unit

import "strings"

// kind of what a unit measures; each has one base unit.
type kind int

const (
	length kind = iota
	weight
	volume
)

// bases and nouns are indexed by kind.
var (
	bases = [...]string{length: "mm", weight: "g", volume: "ml"}
	nouns = [...]string{length: "a length", weight: "a weight", volume: "a volume"}
)

// measure is one unit: n/d base units of its kind.
type measure struct {
	kind  kind
	n, d  int64
	codes string // read exactly as written, separated by a bar; the first one or the first word is the name that advice uses
	words string // read in any case
	shown bool   // advice lists it
}

// name is what advice calls the unit.
func (m measure) name() string {
	names := m.codes
	if names == "" || names[0] == '[' {
		names = m.words
	}
	first, _, _ := strings.Cut(names, "|")
	return first
}

// Codes in brackets are UCUM's, those of three capitals UN/ECE Recommendation 20's; SI symbols are the same in UCUM (with um for µm).
// Decimal values of the US units stand behind them; table_test.go derives them from the definitions.
var measures = []measure{
	{length, 1, 1, "mm|MMT", "millimetre|millimetres|millimeter|millimeters", true},
	{length, 10, 1, "cm|CMT", "centimetre|centimetres|centimeter|centimeters", true},
	{length, 100, 1, "dm", "decimetre|decimetres|decimeter|decimeters", false},
	{length, 1_000, 1, "m|MTR", "metre|metres|meter|meters", true},
	{length, 1_000_000, 1, "km", "kilometre|kilometres|kilometer|kilometers", false},
	{length, 1, 1_000, "um|µm|μm", "micrometre|micrometres|micrometer|micrometers|micron|microns", false},
	{length, 127, 5, "[in_i]|INH", "in|inch|inches|\"|″", true}, // 25.4
	{length, 1_524, 5, "[ft_i]|FOT", "ft|foot|feet|'|′", true},  // 304.8
	{length, 4_572, 5, "[yd_i]|YRD", "yd|yard|yards", true},     // 914.4
	{length, 1_609_344, 1, "[mi_i]", "mi|mile|miles", false},    // 1609344
	{length, 127, 5_000, "[mil_i]", "thou", false},              // 0.0254

	{weight, 1, 1, "g|GRM", "gram|grams|gramme|grammes", true},
	{weight, 1, 1_000, "mg", "milligram|milligrams|milligramme|milligrammes", true},
	{weight, 1_000, 1, "kg|KGM", "kilogram|kilograms|kilogramme|kilogrammes|kilo|kilos", true},
	{weight, 45_359_237, 1_600_000, "[oz_av]|ONZ", "oz|ounce|ounces", true},   // 28.349523125
	{weight, 45_359_237, 100_000, "[lb_av]|LBR", "lb|lbs|pound|pounds", true}, // 453.59237
	{weight, 6_479_891, 100_000_000, "[gr]", "grain|grains", true},            // 0.06479891

	{volume, 1, 1, "ml|mL|cm3|cm³|MLT", "millilitre|millilitres|milliliter|milliliters", true},
	{volume, 10, 1, "cl|cL", "centilitre|centilitres|centiliter|centiliters", true},
	{volume, 100, 1, "dl|dL", "decilitre|decilitres|deciliter|deciliters", false},
	{volume, 1_000, 1, "L|l|dm3|dm³|LTR", "litre|litres|liter|liters", true},
	{volume, 3_785_411_784, 128_000_000, "[foz_us]|OZA", "fl oz|floz|fluid ounce|fluid ounces", true}, // 29.5735295625
	{volume, 3_785_411_784, 1_000_000, "[gal_us]|GLL", "gallon|gallons|gal", true},                    // 3785.411784
	{volume, 3_785_411_784, 4_000_000, "[qt_us]", "quart|quarts|qt", true},                            // 946.352946
	{volume, 3_785_411_784, 8_000_000, "[pt_us]", "pint|pints", true},                                 // 473.176473
	{volume, 3_785_411_784, 16_000_000, "[cup_us]", "cup|cups", false},                                // 236.5882365
	{volume, 3_785_411_784, 32_000_000, "[gil_us]", "gill|gills", false},                              // 118.29411825
	{volume, 3_785_411_784, 256_000_000, "[tbs_us]", "tbsp|tablespoon|tablespoons", false},            // 14.78676478125
	{volume, 3_785_411_784, 768_000_000, "[tsp_us]", "tsp|teaspoon|teaspoons", false},                 // 4.92892159375
}

// doubtful names are refused with advice, because a wrong guess would be wrong by a factor of 10 and more.
var doubtful = map[string]string{
	"gr":  "some read it as grain, others as gram; write grain or g",
	"mil": "some read it as a thousandth of an inch, others as mm or ml; write thou, mm or ml",
	"pt":  "some read it as pint, others as a thickness; write pint, or in or mm",
	"t":   "tons differ; write kg or lb",
	"ton": "tons differ; write kg or lb",
	"dr":  "drams are of weight or of volume; write oz or fl oz",
	"c":   "units of several names begin so; write cup, cm or cl",
}

// byName holds codes as they are and words in lower case.
var byName = index()

func index() map[string]*measure {
	names := map[string]*measure{}
	for i := range measures {
		m := &measures[i]
		for _, list := range [2]string{m.codes, m.words} {
			for name := range strings.SplitSeq(list, "|") {
				names[name] = m
			}
		}
	}
	return names
}

// find returns the unit of that name, or nil.
func find(name string) *measure {
	if m := byName[name]; m != nil {
		return m
	}
	low := strings.ToLower(name)
	if m := byName[low]; m != nil && isWord(m, low) {
		return m
	}
	return nil
}

func isWord(m *measure, low string) bool {
	for word := range strings.SplitSeq(m.words, "|") {
		if word == low {
			return true
		}
	}
	return false
}

// otherCase returns a unit whose code is name in another case, for advice only.
func otherCase(name string) (code string) {
	for i := range measures {
		for c := range strings.SplitSeq(measures[i].codes, "|") {
			if strings.EqualFold(c, name) {
				return c
			}
		}
	}
	return ""
}
