package desk

import (
	"net"
	"net/http"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// Limits of what one student, one address and all together may ask: chosen. A
// quick hand sets two boundaries a second; a page that is opened asks for some
// hundred tiles; a class behind one address joins within a minute.
const (
	editsPerSecond, editsAtOnce   = 5, 30
	asksPerSecond, asksAtOnce     = 60, 600
	wrongPerMinute, wrongAtOnce   = 60, 60  // wrong codes, from everywhere together
	joinsPerSecond, joinsAtOnce   = 5, 120  // of one address
	pagesPerSecond, pagesPerBurst = 0.5, 10 // of the feedback; each takes a processor for some tenths of a second
)

// limits keeps count of who asks how often.
type limits struct {
	mu    sync.Mutex
	by    map[string]*rate.Limiter
	wrong *rate.Limiter
}

func newLimits() limits {
	return limits{by: map[string]*rate.Limiter{}, wrong: rate.NewLimiter(rate.Every(time.Minute/wrongPerMinute), wrongAtOnce)}
}

// limitsKept is how many counts are kept before those that are full again, and so
// say nothing, are dropped.
const limitsKept = 5000

// allow tells whether one more is allowed of what key names.
func (l *limits) allow(key string, perSecond float64, atOnce int, now time.Time) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.by) > limitsKept {
		for k, b := range l.by {
			if b.TokensAt(now) >= float64(b.Burst()) {
				delete(l.by, k)
			}
		}
	}
	b := l.by[key]
	if b == nil {
		b = rate.NewLimiter(rate.Limit(perSecond), atOnce)
		l.by[key] = b
	}
	return b.AllowN(now, 1)
}

// from is the address that a request comes from.
func from(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	return host
}

func slow(w http.ResponseWriter) {
	w.Header().Set("Retry-After", "1")
	fail(w, http.StatusTooManyRequests, "slow", "too much at once: wait a moment")
}
