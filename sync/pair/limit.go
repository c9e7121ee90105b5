package pair

import (
	"net/http"
	"sync"
	"time"
)

// The limits of messages: at once, and a second from then on.
const (
	burstOne, perSecondOne = 10, 3
	burstAll, perSecondAll = 100, 50
	maxAddresses           = 1000
)

// bucket holds what may still be sent, in thousandths of a message.
type bucket struct {
	left int64
	at   time.Time
}

func (b *bucket) take(now time.Time, burst, perSecond int64) bool {
	const one = 1000
	if b.at.IsZero() || now.Before(b.at) {
		*b = bucket{burst * one, now}
	}
	gained := now.Sub(b.at).Milliseconds() * perSecond
	b.left, b.at = min(b.left+gained, burst*one), b.at.Add(time.Duration(gained/perSecond)*time.Millisecond)
	if b.left < one {
		return false
	}
	b.left -= one
	return true
}

// limiter slows whoever sends too much. It knows a bounded number of addresses.
type limiter struct {
	mu   sync.Mutex
	all  bucket
	each map[string]*bucket
}

func (l *limiter) allow(r *http.Request, now time.Time) bool {
	host := hostOf(r.RemoteAddr)
	l.mu.Lock()
	defer l.mu.Unlock()
	b := l.each[host]
	if b == nil {
		if l.each == nil || len(l.each) >= maxAddresses {
			l.each = map[string]*bucket{} // those that were slowed have a new start; all together are slowed still
		}
		b = &bucket{}
		l.each[host] = b
	}
	return b.take(now, burstOne, perSecondOne) && l.all.take(now, burstAll, perSecondAll)
}
