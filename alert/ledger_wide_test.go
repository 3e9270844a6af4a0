package alert

import (
	"errors"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"dewline/rules/alarm"
)

// Wide stories, those of seeds from here on, have what the others lack: a channel that
// refuses only long messages, connections that come and go, a server that takes over what
// was given up, alarms that are put away, time off, and alarms that grow more urgent.
const wideFrom = 1 << 20

func widely(seed uint64) *rand.Rand {
	if seed < wideFrom {
		return nil
	}
	return rand.New(rand.NewPCG(seed, 28))
}

// widen does one of these acts more, in a wide story.
func (s *story) widen() {
	if s.wide == nil || s.wide.IntN(3) > 0 {
		return
	}
	c := modelChannels[s.wide.IntN(3)]
	switch s.wide.IntN(13) {
	case 0: // refuses what is long
		most := 100 + s.wide.IntN(600)
		err := []error{errAway, After(20*time.Minute, errAway), Permanent(errors.New("413"))}[s.wide.IntN(3)]
		s.takeAll()
		s.refusing = c
		delete(s.live, c)
		s.refuses = func(d Delivery) error {
			if d.Channel == c && len(d.Message.Text) > most {
				return err
			}
			return nil
		}
	case 1: // takes all again
		s.takeAll()
	case 2: // the connection is lost, for seconds or for good
		s.lose(c)
		if s.wide.IntN(2) == 0 {
			s.live1(time.Duration(1+s.wide.IntN(9)) * 10 * time.Second)
			s.regain(c)
		}
	case 3:
		s.regain(c)
	case 4: // nobody watched
		s.look()
		off := time.Duration(1+s.wide.IntN(40)) * 10 * time.Minute
		at := s.now.Mono - time.Duration(s.wide.IntN(300))*time.Second
		s.now.Wall, s.shifted = s.now.Wall.Add(off), true
		s.absorb(s.desk.TimeOff(s.now, at, off))
		s.send()
		s.look()
	case 5: // put away
		if keys := s.active(); len(keys) > 0 {
			k := keys[s.wide.IntN(len(keys))]
			delete(s.milder, k)
			s.alarms[k].back = true // its span is that of the condition, which nobody sees
			s.fall(k, []alarm.State{alarm.Shelved, alarm.OutOfService, alarm.Suppressed}[s.wide.IntN(3)])
		}
	case 6: // back from there
		var keys []alarm.Key
		for k, a := range s.alarms {
			if a.state.PutAway() || a.state == alarm.Suppressed {
				keys = append(keys, k)
			}
		}
		if len(keys) == 0 {
			return
		}
		slices.SortFunc(keys, func(a, b alarm.Key) int { return strings.Compare(alarm.OnsetID(a, 0), alarm.OnsetID(b, 0)) })
		s.rise(keys[s.wide.IntN(len(keys))])
	case 7:
		s.mend(c)
	case 8: // takes over what was given up
		if s.broken[c] == nil && !s.away[c] {
			delete(s.live, c)
			s.hangs[c], s.slow = 20*time.Second, map[string]bool{c: true}
		}
	case 9:
		s.answerOld()
	case 10: // the network is away while things go on, and an answer to before comes all the same
		for _, c := range modelChannels {
			s.lose(c)
		}
		for range 3 {
			s.act()
			s.answerOld()
		}
		for _, c := range modelChannels {
			s.regain(c)
		}
	default:
		s.worsen()
	}
}

// answerOld answers a message of the last ones, wherever what it told of stands by now.
func (s *story) answerOld() {
	if len(s.sent) == 0 {
		return
	}
	d := s.sent[len(s.sent)-1-s.wide.IntN(min(len(s.sent), 6))]
	if d.Kind != Silence && s.desk.book.find(d.NoticeID) != nil {
		s.answerTo(Notice{ID: d.NoticeID}, []int{0, 0, d.Version}[s.wide.IntN(3)], []string{"una", "odo", "robin"}[s.wide.IntN(3)])
	}
}

// worsen makes what is active milder, or worse again.
func (s *story) worsen() {
	keys := slices.DeleteFunc(s.active(), func(k alarm.Key) bool { return k.Alarm != alarm.LethalAhead })
	if len(keys) == 0 {
		return
	}
	k := keys[s.wide.IntN(len(keys))]
	a := s.alarms[k]
	c := onsetOf(k.Alarm, k.Subject, a.state, a.cause)
	s.judge(s, s.rig)
	if s.milder[k] = !s.milder[k]; s.milder[k] {
		c.p = alarm.Today
		s.falls(k, norm)
		s.transitions(s.tr(c))
	} else {
		s.look()
		a.state, c.to = unack, unack // as the rules have it, whoever answered what was milder
		sent, got := len(s.sent), len(s.got)
		s.transitions(s.tr(c))
		s.rises(s.rig, k, sent, got)
	}
	s.look()
}

// takeAll ends that a channel refuses what is long.
func (s *story) takeAll() {
	c := s.refusing
	s.refuses, s.refusing = nil, ""
	s.works(c)
}

// works notes that a channel works, if it does.
func (s *story) works(c string) {
	if _, ok := s.live[c]; !ok && c != "" && s.broken[c] == nil && s.hangs[c] == 0 && !s.away[c] && s.refusing != c {
		s.live[c] = s.now.Mono
	}
}

// lose ends a channel's connection, regain begins it anew.
func (s *story) lose(c string) {
	s.away[c] = true
	delete(s.live, c)
	s.broken[c] = errAway
	s.absorb(s.desk.ChannelState(s.now, c, errAway))
	s.send()
	s.look()
}

func (s *story) regain(c string) {
	if !s.away[c] {
		return
	}
	s.away[c] = false
	delete(s.broken, c)
	s.works(c)
	s.absorb(s.desk.ChannelState(s.now, c, nil))
	s.send()
	s.look()
}
