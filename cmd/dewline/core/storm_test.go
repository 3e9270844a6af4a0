package core

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"dewline/alert"
	"dewline/sensors"
)

// Forty probes of forty enclosures that jump together, in one poll or spread over
// two minutes, and that fall silent together on one bus or one broker: few notices,
// and the one about them has the count.
func TestCore_StormsOfProbes(t *testing.T) {
	const n = 40
	room := func(hangs string) string {
		var b strings.Builder
		b.WriteString("[room]\nid = \"den\"\ntimezone = \"UTC\"\npoll = \"10 s\"\n[mqtt]\nbroker = \"tcp://127.0.0.1:1883\"\n" +
			"[[person]]\nid = \"una\"\nchannels = [\"mqtt\"]\n[[probe]]\nid = \"room\"\nfamily = \"simulated\"\nplace = \"room\"\n")
		for i := range n {
			fmt.Fprintf(&b, "[[enclosure]]\nid = \"e%02d\"\nrack = \"r%d\"\nshelf = %d\nslot = %d\nspecies = \"dendrobates-tinctorius\"\n"+
				"[[probe]]\nid = \"p%02d\"\nplace = \"litter\"\nenclosure = \"e%02d\"\n%s\n", i, i/12, i/4%3+1, i%4+1, i, i, fmt.Sprintf(hangs, i))
		}
		return b.String()
	}
	const simulated = "family = \"simulated\" # %d"
	const node = "family = \"remote\"\ntopic = \"node/%d\"\ntemperature_pointer = \"/t\"\nhumidity_pointer = \"/h\""
	tests := []struct {
		name, hangs string
		spread      time.Duration
		jump        bool
		most        int
		says        string
	}{
		{"jump in one poll", simulated, 0, true, 3, ""},
		{"jump within two minutes", simulated, 2 * time.Minute, true, 4, ""},
		{"six nodes stop", node, 2 * time.Minute, false, 1, "6 of the 40 probes read by the broker"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := &deskRig{t: t, disk: disk{}, drills: map[string][]byte{}}
			r.cfg = decode(t, room(tt.hangs))
			r.core = New(r.cfg, nil)
			r.now = sensors.Instant{Mono: time.Hour, Wall: time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC), Synced: true}
			at := func(i int) time.Duration { return time.Duration(i) * tt.spread / n }
			if !tt.jump {
				at = func(i int) time.Duration { return time.Duration(i) * tt.spread / 6 }
			}
			live := func(d time.Duration, broken bool) {
				began := r.now.Mono
				for r.now.Mono-began < d {
					r.now = r.now.Add(10 * time.Second)
					for i := -1; i < n; i++ {
						id, celsius := "room", 2100
						if i >= 0 {
							id, celsius = fmt.Sprintf("p%02d", i), 2400
						}
						x := sensors.Reading{Probe: sensors.ProbeID(id), At: r.now, Has: sensors.HasTemperature | sensors.HasHumidity,
							Temperature: sensors.CentiCelsius(celsius + int(r.now.Mono/time.Second/10%3)), Humidity: 8500, Quality: sensors.Good}
						if broken && i >= 0 && r.now.Mono-began >= at(i) {
							if !tt.jump && i < 6 {
								continue
							}
							if tt.jump { // to and fro, as a loose supply does
								x.Quality, x.Reason = sensors.Suspect, sensors.Jump
								x.Temperature += sensors.CentiCelsius(500 * (r.now.Mono / (10 * time.Second) % 2))
							}
						}
						r.take(r.core.Reading(x))
					}
					r.take(r.core.Tick(r.now))
				}
			}
			live(30*time.Minute, false)
			r.sent = nil
			live(10*time.Minute, true)
			notices := map[string]alert.Message{}
			for _, d := range r.sent {
				notices[d.NoticeID] = d.Message
				t.Log(d.NoticeID, d.Kind, d.Message.Title)
			}
			if len(notices) == 0 || len(notices) > tt.most || len(r.sent) > 10 {
				t.Errorf("%d notices in %d messages, want at most %d", len(notices), len(r.sent), tt.most)
			}
			last := r.sent[len(r.sent)-1].Message
			if tt.says != "" && !strings.Contains(last.Text, tt.says) {
				t.Errorf("%s\n%s", last.Title, last.Text)
			}
		})
	}
}
