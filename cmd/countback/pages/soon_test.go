package pages

import (
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"
)

func soonView(live bool) *view {
	r := httptest.NewRequest(http.MethodGet, "/", nil)
	if live {
		r.Header.Set("X-Live", "1")
	}
	return &view{site: &Site{}, r: r, look: &Look{Now: time.Unix(0, 0)}}
}

// What takes long is begun once, a page doesn't wait for it, and later ones have it.
func TestSoon(t *testing.T) {
	v := soonView(false)
	begun, goOn := 0, make(chan struct{})
	work := func(*Look) (string, error) {
		begun++
		<-goOn
		return "there", nil
	}
	for range 2 {
		if _, err := soon(v, "slow", work); !errors.Is(err, errSoon) {
			t.Fatalf("%v", err)
		}
	}
	close(goOn)
	v.r.Header.Set("X-Live", "1") // waits for it
	if s, err := soon(v, "slow", work); s != "there" || err != nil || begun != 1 {
		t.Errorf("%q, %v, begun %d times", s, err, begun)
	}
}

// The renewal of an open page waits, since nobody looks at it meanwhile.
func TestSoonWaitsForARenewal(t *testing.T) {
	s, err := soon(soonView(true), "slow", func(*Look) (string, error) {
		time.Sleep(2 * patience)
		return "there", nil
	})
	if s != "there" || err != nil {
		t.Errorf("%q, %v", s, err)
	}
}

// An error is that of the work, and a panic is an error, not the end of the program.
func TestSoonFails(t *testing.T) {
	v := soonView(true)
	if _, err := soon(v, "wrong", func(*Look) (int, error) { return 0, errors.New("no ink") }); err == nil || err.Error() != "no ink" {
		t.Errorf("%v", err)
	}
	if _, err := soon(v, "broken", func(*Look) (int, error) { panic("out of paper") }); err == nil || !strings.Contains(err.Error(), "broken couldn't be worked out") {
		t.Errorf("%v", err)
	}
}

// A later look has what was asked for of late, before anybody asks again; what nobody asked for in a while is left.
func TestRenew(t *testing.T) {
	s := &Site{}
	now := time.Unix(100_000, 0)
	asked := 0
	work := func(l *Look) (any, error) { asked++; return l.Version, nil }
	<-s.warm.begin(&Look{Now: now, Version: 1}, "report", work).done
	next := &Look{Now: now.Add(time.Minute), Version: 2}
	s.renew(t.Context(), next)
	if asked != 2 {
		t.Fatalf("worked out %d times", asked)
	}
	if p := s.warm.begin(next, "report", work); p.value != int64(2) || asked != 2 {
		t.Errorf("%v, worked out %d times", p.value, asked)
	}
	s.renew(t.Context(), &Look{Now: now.Add(recent + 2*time.Minute), Version: 3})
	if asked != 2 {
		t.Errorf("what nobody asked for any more was worked out")
	}
}
