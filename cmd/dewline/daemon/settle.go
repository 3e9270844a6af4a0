package daemon

import "time"

// settleFor is the longest that a source waits for channels, in real time.
const settleFor = time.Second

// settling counts what is on its way, for a source whose time can outrun channels:
// what is being sent, and what tries to connect.
type settling struct {
	sending int
	away    map[string]bool // channels without their connection
	waiting []chan struct{} // closed once nothing is on its way
}

func (s *settling) sent(n int) { s.sending += n }

func (s *settling) tried() {
	s.sending--
	s.release()
}

// linked notes whether a channel has its connection.
func (s *settling) linked(channel string, down error) {
	if down == nil {
		delete(s.away, channel)
		s.release()
		return
	}
	if s.away == nil {
		s.away = make(map[string]bool)
	}
	s.away[channel] = true
}

// wait has done closed once all is tried.
func (s *settling) wait(done chan struct{}) {
	s.waiting = append(s.waiting, done)
	s.release()
}

// giveUp waits no longer, and counts anew: what another sending replaced is never reported.
func (s *settling) giveUp() {
	s.sending, s.waiting = 0, nil
}

func (s *settling) release() {
	if s.sending > 0 || len(s.away) > 0 {
		return
	}
	s.sending = 0
	for _, done := range s.waiting {
		close(done)
	}
	s.waiting = s.waiting[:0]
}
