// Package words says figures of reports as people say them: how far a day is off, how sure an estimate is, what an audit found. Commands and desk pages share it, so
// that the same figure is called the same in both. It computes nothing that a report doesn't hold; what it rounds is for the eye.
//
// Quantities and money come in as the decimal text of reports and go out with their thousands grouped. A text that is no number is handed back as it is.
package words
