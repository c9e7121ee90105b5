package replicate

import "strings"

// Subjects of a shop's messages. Those of the log stream are SubjectLog and SubjectCarry, those of the stream of receipts, which keeps one message of each
// subject, SubjectHeld.
const (
	SubjectLog   = "log"   // a device's own events; desks may put there what the stream lacks
	SubjectCarry = "carry" // events of others, by the device that the subject names
	SubjectHeld  = "held"  // a device's receipts
)

// Subject returns a shop's subject of a sort for a device; "*" in the place of the device makes the pattern of all.
func Subject(shop, sort, device string) string { return "cb." + shop + "." + sort + "." + device }

// ParseSubject takes a subject apart. ok is false for what Subject doesn't make.
func ParseSubject(subject string) (shop, sort, device string, ok bool) {
	parts := strings.Split(subject, ".")
	if len(parts) != 4 || parts[0] != "cb" {
		return "", "", "", false
	}
	return parts[1], parts[2], parts[3], true
}
