package daemon

import "time"

// settleFor is the longest that a source waits for channels, in real time.
const settleFor = time.Second

// settling counts what is on its way, for a source whose time can outrun channels.
type settling struct {
	sending int
	waiting []chan struct{} // closed once nothing is on its way
}

func (s *settling) sent(n int) { s.sending += n }

func (s *settling) tried() {
	s.sending--
	s.release()
}

// wait has done closed once all is tried.
func (s *settling) wait(done chan struct{}) {
	s.waiting = append(s.waiting, done)
	s.release()
}

// forget counts anew: what another sending replaced is never reported.
func (s *settling) forget() {
	s.sending = 0
	s.release()
}

func (s *settling) release() {
	if s.sending > 0 {
		return
	}
	s.sending = 0
	for _, done := range s.waiting {
		close(done)
	}
	s.waiting = s.waiting[:0]
}
