package pair_test

import (
	"strings"
	"testing"

	"countback/sync/pair"
)

// Whatever is taken for a link says the same when it is written again, and nothing of a code stands in an error.
func FuzzParseLink(f *testing.F) {
	f.Add("https://countback-k3v7qa.local:8743/#pair/qcg6ewyfb45k7atuzixn6tobme/abcdefghijklmnopqrstuvwxyz")
	f.Add(" countback-k3v7qa.local:8743/#recover/qcg6ewyfb45k7atuzixn6tobme/abcdefghijklmnopqrstuvwxyz\n")
	f.Add("https://[fd00::2]:8743#pair/qcg6ewyfb45k7atuzixn6tobme/abcdefghijklmnopqrstuvwxyz")
	f.Add("https://me:pass@x/#pair/a/b")
	f.Fuzz(func(t *testing.T, text string) {
		l, err := pair.ParseLink(text)
		if err != nil {
			if err.Error() != pair.ErrLink.Error() {
				t.Fatal(err)
			}
			return
		}
		again, err := pair.ParseLink(l.Text())
		if err != nil || again.Text() != l.Text() || !strings.HasPrefix(l.Base, "https://") || len(l.Pin) != 26 || len(l.Code.Text()) != 26 {
			t.Fatalf("%q was read as %q: %v", text, l.Text(), err)
		}
	})
}
