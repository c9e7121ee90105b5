// Package parcel turns what an order holds into parcels, and specs into what they use.
//
// Parcels: units, whole pieces of ordered items, are taken in order of their points (largest first), then of item id. While any are
// left: if a format accepts every unit left and holds their points, the first such format takes them all; else the first unit goes into the format
// that accepts it and holds most (ties: the earlier), followed in order by every further unit that still fits. A unit that no
// format takes goes in no parcel.
//
// Lines of a spec multiply: a line's quantity (in base units, rounded half to even to 6 places where it is given in a measure or pack) times how
// often it applies. Changes act on the names in the spec, in the order: whole use instead of another item, whole use, difference; below 0
// counts as 0. Prepared items become their parts last.
package parcel
