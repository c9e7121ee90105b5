package pages

import (
	"bufio"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
)

// Open pages hear of every new look, also of one of the same events: without the lines that were thrown away, or of a new day.
func TestPagesHearOfEveryLook(t *testing.T) {
	s := &Site{}
	s.Changed(3)
	server := httptest.NewServer(http.HandlerFunc(s.live.serve))
	defer server.Close()
	res, err := http.Get(server.URL)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	s.Changed(4)
	s.Changed(4)
	s.Changed(5)
	var heard []string
	for lines := bufio.NewScanner(res.Body); len(heard) < 4 && lines.Scan(); {
		if name, ok := strings.CutPrefix(lines.Text(), "event: "); ok && lines.Scan() {
			heard = append(heard, name+" "+strings.TrimPrefix(lines.Text(), "data: "))
		}
	}
	if got := strings.Join(heard, ", "); got != "look 3, look 4, again 1, look 5" {
		t.Error(got)
	}
}
