package main

import (
	"fmt"
	"testing"

	"dewline/rules"
	"dewline/rules/alarm"
)

// A wireless node through a real broker to the keeper's phone: what the broker
// had kept is not believed, live heat is told, and a node that falls silent in
// the heat is told without the heat being taken for over.
func TestMosquitto_RemoteNode(t *testing.T) {
	t.Parallel()
	s := newSite(t, "fern")
	b := newMosquitto(t, s)
	s.extra = "[[enclosure]]\nid = \"far\"\nrack = \"far\"\nshelf = 1\nslot = 1\nspecies = \"dendrobates-tinctorius\"\n\n" +
		"[[probe]]\nid = \"node\"\nfamily = \"remote\"\nplace = \"litter\"\nenclosure = \"far\"\ntopic = \"nodes/4/air\"\n" +
		"temperature_pointer = \"/t\"\nhumidity_pointer = \"/h\"\nmax_age = \"5 s\"\n[rules]\nsilent_after = \"10 s\"\n"
	// From yesterday, for all that anybody knows.
	b.publish("nodes/4/air", `{"t": 31.5, "h": 80}`, true)
	phone := b.listen()
	p := s.run()
	s.ready(p)
	p.logged("listening for remote probes")
	s.state(alarm.ProbeSilent, "node", "UNACK")
	if v := s.probe("node"); v.Reason != "too-old" || v.Temperature != nil {
		t.Errorf("the kept value: %+v", v)
	}
	if n := phone.notices(alarm.LethalLimit, "far"); len(n) != 0 {
		t.Errorf("a kept value woke the keeper: %+v", n)
	}

	// The node speaks, and then it is hot.
	says := func(celsius float64) { b.publish("nodes/4/air", fmt.Sprintf(`{"t": %.2f, "h": 80}`, celsius), false) }
	eventually(t, "the node is heard", func() bool {
		says(24.4)
		return s.probe("node").Fresh
	})
	hot := 30.3
	eventually(t, "the heat raises the ceiling", func() bool {
		hot += 0.01 // air is never quite still
		says(hot)
		snap, _ := s.room()
		_, open := alarmIn(snap, alarm.LethalLimit, "far")
		return open
	})
	if m := phone.notice(alarm.LethalLimit, "far"); m.Priority != alarm.Wake {
		t.Errorf("told as %s", m.Priority)
	}

	// Its battery dies.
	eventually(t, "its last value is too old", func() bool { return s.probe("node").Reason == "too-old" })
	snap, _ := s.room()
	if a, open := alarmIn(snap, alarm.LethalLimit, "far"); !open || !a.Active {
		t.Errorf("silence ended the heat: %+v", a)
	}
	if code := p.stop(); code != exitOK {
		t.Errorf("exit %d", code)
	}
}

// probe is what the running program knows of one probe.
func (s *site) probe(id string) rules.ProbeView {
	snap, _ := s.room()
	for _, v := range snap.Probes {
		if v.ID == id {
			return v
		}
	}
	return rules.ProbeView{}
}
