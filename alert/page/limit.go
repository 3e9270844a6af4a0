package page

import (
	"maps"
	"net"
	"net/netip"
	"slices"
	"sync"
	"time"
)

// So many tries of one address may fail within limitSpan, then it has to wait.
// There is no limit for all together: strangers would lock the keeper out.
const (
	limitSpan  = 10 * time.Minute
	limitOne   = 8
	maxTracked = 512
)

// A Limiter counts failed tries by address; an IPv6 address by its /64, which
// is one household. It is safe for concurrent use.
type Limiter struct {
	mu sync.Mutex // guards by
	by map[netip.Prefix][]time.Time
}

// NewLimiter returns a Limiter that has seen nothing.
func NewLimiter() *Limiter { return &Limiter{by: map[netip.Prefix][]time.Time{}} }

// Wait returns how long an address ("host:port") has to wait before it may try.
func (l *Limiter) Wait(addr string, now time.Time) time.Duration {
	l.mu.Lock()
	defer l.mu.Unlock()
	return hold(l.by[household(addr)], now)
}

// Failed counts one failed try.
func (l *Limiter) Failed(addr string, now time.Time) {
	l.mu.Lock()
	defer l.mu.Unlock()
	key := household(addr)
	if _, known := l.by[key]; !known && len(l.by) >= maxTracked {
		l.makeRoom(now)
	}
	tries := append(l.by[key], now)
	l.by[key] = tries[max(len(tries)-limitOne, 0):]
}

// makeRoom forgets what no longer counts, and else the address that was silent
// for longest.
func (l *Limiter) makeRoom(now time.Time) {
	last := func(k netip.Prefix) time.Time { return l.by[k][len(l.by[k])-1] }
	maps.DeleteFunc(l.by, func(k netip.Prefix, _ []time.Time) bool { return now.Sub(last(k)) >= limitSpan })
	if len(l.by) >= maxTracked {
		delete(l.by, slices.MinFunc(slices.Collect(maps.Keys(l.by)), func(a, b netip.Prefix) int { return last(a).Compare(last(b)) }))
	}
}

// hold returns how long limitOne tries within limitSpan bar the next one.
func hold(tries []time.Time, now time.Time) time.Duration {
	if len(tries) < limitOne {
		return 0
	}
	return max(limitSpan-now.Sub(tries[len(tries)-limitOne]), 0)
}

// household returns what counts as one address.
func household(addr string) netip.Prefix {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		host = addr
	}
	ip, err := netip.ParseAddr(host)
	if err != nil {
		return netip.Prefix{}
	}
	ip = ip.Unmap().WithZone("")
	bits := ip.BitLen()
	if ip.Is6() {
		bits = 64
	}
	p, err := ip.Prefix(bits)
	if err != nil {
		return netip.Prefix{}
	}
	return p
}
