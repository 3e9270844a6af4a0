package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"dewline/alert/wire"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
	"dewline/store"
)

// A start that finds something broken watches all the same: the first round of
// readings and rules ends within ten seconds, an overheated enclosure raises,
// and the log says what is wrong and what to do.
func TestStart_WithSomethingBroken(t *testing.T) {
	t.Parallel()
	type broken struct {
		name string
		// breaks spoils the site, which ran before and was stopped, and returns
		// what the log must say.
		breaks func(t *testing.T, s *site) []string
		env    []string
		check  func(t *testing.T, s *site, snap wire.Room)
	}
	raised := func(id alarm.ID) func(*testing.T, *site, wire.Room) {
		return func(t *testing.T, s *site, _ wire.Room) { s.state(id, rules.Self, "UNACK") }
	}
	for _, b := range []broken{
		{name: "nothing broken", breaks: func(*testing.T, *site) []string { return nil }},
		{name: "a record of noise", breaks: func(t *testing.T, s *site) []string {
			damage(t, s, func(b []byte) []byte {
				rng := rand.New(rand.NewPCG(7, 7))
				for i := range b {
					b[i] = byte(rng.Uint32())
				}
				return b
			})
			return []string{"the record was damaged and set aside", "dewline repair"}
		}, check: raised(alarm.RecordIncomplete)},
		{name: "a record cut short", breaks: func(t *testing.T, s *site) []string {
			damage(t, s, func(b []byte) []byte { return b[:5000] })
			return []string{"the record was damaged and set aside"}
		}, check: raised(alarm.RecordIncomplete)},
		{name: "an empty record", breaks: func(t *testing.T, s *site) []string {
			damage(t, s, func([]byte) []byte { return nil })
			return nil
		}},
		{name: "a bus that is not there", breaks: func(t *testing.T, s *site) []string {
			s.extra += "[[probe]]\nid = \"p-far\"\nfamily = \"sht4x\"\nplace = \"litter\"\nenclosure = \"fern\"\nbus = \"/dev/i2c-99\"\naddress = 0x44\n"
			s.write("dewline.toml", s.text())
			return nil
		}, check: func(t *testing.T, s *site, _ wire.Room) {
			eventually(t, "the probe on the missing bus is bad, and why", func() bool {
				snap, _ := s.room()
				for _, p := range snap.Probes {
					if p.ID == "p-far" {
						return p.Quality == "bad" && p.Reason == "bus-error"
					}
				}
				return false
			})
		}},
		{name: "a port in use", breaks: func(t *testing.T, s *site) []string {
			ln, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { _ = ln.Close() })
			s.listen = ln.Addr().String()
			s.write("dewline.toml", s.text())
			return []string{"the page cannot be served", s.listen, "free the port or name another"}
		}},
		{name: "a faulty configuration", breaks: func(t *testing.T, s *site) []string {
			s.write("dewline.toml", strings.Replace(s.text(), "species = \"dendrobates-tinctorius\"", "species = \"dendrobates-tinctorus\"", 1))
			return []string{"the last good one is in force", "dendrobates-tinctorus", "dewline.toml:"}
		}, check: raised(alarm.ConfigRefused)},
		{name: "a limit that was taken when it came in force", breaks: func(t *testing.T, s *site) []string {
			if err := os.Remove(filepath.Join(s.data(), "last-good.toml")); err != nil {
				t.Fatal(err)
			}
			s.write("dewline.toml", strings.Replace(s.text(), "[[enclosure]]\n", "[[enclosure]]\nfloor = \"100 %\"\n", 1))
			return []string{"it is in force all the same", "the humidity floor of enclosure", "dewline.toml:"}
		}, check: raised(alarm.ConfigRefused)},
		{name: "a probe that exists in the demo only", breaks: func(t *testing.T, s *site) []string {
			s.write("dewline.toml", s.text()+simulatedProbe)
			return []string{"the last good one is in force", "p-demo is simulated", "dewline demo"}
		}, check: raised(alarm.ConfigRefused)},
		{name: "a wireless node and no password for the broker", breaks: func(t *testing.T, s *site) []string {
			s.extra += "[mqtt]\nbroker = \"tcp://127.0.0.1:1\"\nusername = \"dewline\"\npassword_file = \"/nowhere/password\"\n" +
				"[[probe]]\nid = \"p-node\"\nfamily = \"remote\"\nplace = \"litter\"\nenclosure = \"fern\"\n" +
				"topic = \"nodes/4\"\ntemperature_pointer = \"/t\"\n"
			s.write("dewline.toml", s.text())
			return []string{"remote probes cannot be heard", "/nowhere/password"}
		}, check: func(_ *testing.T, s *site, _ wire.Room) { s.state(alarm.ProbeSilent, "p-node", "UNACK") }},
		{name: "a configuration that is gone", breaks: func(t *testing.T, s *site) []string {
			if err := os.Remove(s.config()); err != nil {
				t.Fatal(err)
			}
			return []string{"the last good one is in force"}
		}, check: raised(alarm.ConfigRefused)},
		{name: "a data directory that cannot be written", breaks: func(t *testing.T, s *site) []string {
			// A file stands where the directory should: that stops root as well.
			if err := os.RemoveAll(s.data()); err != nil {
				t.Fatal(err)
			}
			s.write("data", "in the way")
			return []string{"the data directory cannot be made", "the record cannot be opened", s.data(), "make the directory writable"}
		}, check: raised(alarm.RecordIncomplete)},
		{name: "a broker that refuses", breaks: func(t *testing.T, s *site) []string {
			s.broker = "tcp://127.0.0.1:1"
			s.write("dewline.toml", s.text())
			return []string{"broker", "connection refused"}
		}},
		{name: "a token that is gone", breaks: func(t *testing.T, s *site) []string {
			s.listen = "127.0.0.1:0"
			s.write("dewline.toml", s.text())
			if err := os.Remove(s.path("token")); err != nil {
				t.Fatal(err)
			}
			return []string{"nothing can be changed over HTTP", s.path("token")}
		}},
		{name: "a service manager that is gone", env: []string{"NOTIFY_SOCKET=/nowhere/notify"},
			breaks: func(*testing.T, *site) []string { return []string{"the service manager cannot be told"} }},
	} {
		t.Run(b.name, func(t *testing.T) {
			t.Parallel()
			s := newSite(t, "moss", "fern", "cork")
			p := s.run()
			s.ready(p)
			if code := p.stop(); code != exitOK {
				t.Fatalf("stopped with exit %d", code)
			}
			wants := b.breaks(t, s)
			p = s.resume(b.env...)
			snap := s.ready(p)
			for _, want := range wants {
				p.logged(want)
			}
			if b.check != nil {
				b.check(t, s, snap)
			}
			s.overheat("moss", 30.2)
			s.state(alarm.LethalLimit, "moss", "UNACK")
			if code := p.stop(); code != exitOK {
				t.Errorf("stopped with exit %d", code)
			}
		})
	}
}

// damage rewrites the record of a stopped program.
func damage(t *testing.T, s *site, change func([]byte) []byte) {
	t.Helper()
	file := filepath.Join(s.data(), store.FileName)
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, change(b), 0o600); err != nil {
		t.Fatal(err)
	}
}

// A first start has no last good configuration: it says every fault and ends.
func TestStart_FirstTimeWithAFaultyConfiguration(t *testing.T) {
	t.Parallel()
	s := newSite(t, "moss", "fern")
	s.write("dewline.toml", strings.Replace(s.text(), "poll = \"1 s\"", "poll = \"1 furlong\"", 1))
	p := s.resume()
	if code := p.wait(); code != exitUsage {
		t.Errorf("exit %d, want %d", code, exitUsage)
	}
	if !strings.Contains(p.log.String(), s.config()+":5:") || !strings.Contains(p.log.String(), "furlong") {
		t.Errorf("the fault and its place are not told:\n%s", p.log)
	}
}

// A record that can only be opened after the start brings the calibrations
// along, and what the probes went through: without them a probe that reads too
// high hides the floor.
func TestStart_CalibrationsOfALateRecord(t *testing.T) {
	t.Parallel()
	s := newSite(t, "moss", "fern")
	p := s.run()
	s.ready(p)
	now := time.Now()
	if err := (&control{socket: s.socket()}).post(t.Context(), "calibrations", sensors.Correction{
		ID: "c1", Probe: "p-fern", Quantity: sensors.Humidity, Made: now, From: now.Add(-time.Hour), Gain: 1, Offset: -6, Uncertainty: 1,
	}, nil); err != nil {
		t.Fatal(err)
	}
	shows := func(percent float64) func() bool {
		return func() bool {
			snap, _ := s.room()
			return math.Abs(humidityOf(snap, "fern")-percent) < 0.01
		}
	}
	eventually(t, "the correction is in force", shows(78))
	if code := p.stop(); code != exitOK {
		t.Fatalf("exit %d", code)
	}
	soak(t, s, "p-fern")
	away := s.path("away")
	if err := os.Rename(s.data(), away); err != nil {
		t.Fatal(err)
	}
	s.write("data", "in the way")
	p = s.resume()
	s.ready(p)
	eventually(t, "raw values without the record", shows(84))
	if err := os.Remove(s.data()); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(away, s.data()); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the record is back, and the correction with it", shows(78))
	// 1 of the calibration and 1 of hysteresis make 1.4; 60 h above 80 % add 3
	// (Sensirion, SHT3x-DIS data sheet v7, section 1).
	eventually(t, "the days in wet air are stated", func() bool {
		return math.Abs(float64(s.probe("p-fern").Uncertainty)-4.4) < 0.1
	})
	s.state(alarm.RecordIncomplete, rules.Self, "RTNUN")
	if code := p.stop(); code != exitOK {
		t.Errorf("exit %d", code)
	}
}

// soak notes in the record of a stopped program that a probe spent 60 h above
// 80 %RH.
func soak(t *testing.T, s *site, probe string) {
	t.Helper()
	st, _, err := store.Open(t.Context(), store.Options{Dir: s.data()})
	if err != nil {
		t.Fatal(err)
	}
	text := fmt.Sprintf(`{%q:{"soaked":%d,"last":1,"begun":true}}`, probe, 60*time.Hour)
	if err := st.Commit(store.Commit{Docs: []store.Doc{{Bucket: store.BucketMeta, Key: "ageing", Value: []byte(text)}}}); err != nil {
		t.Fatal(err)
	}
	if err := st.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
}

// A second program on the same record must not write into it.
func TestStart_Twice(t *testing.T) {
	t.Parallel()
	s := newSite(t, "moss", "fern", "cork")
	first := s.run()
	s.ready(first)
	second := start(t, nil, "run", "--config", s.config(), "--data", s.data(), "--control", s.path("other.sock"))
	if code := second.wait(); code != exitFailed {
		t.Errorf("the second ended with %d, want %d", code, exitFailed)
	}
	second.logged("another dewline uses the record")
	s.overheat("moss", 30.2)
	s.state(alarm.LethalLimit, "moss", "UNACK")
	if code := first.stop(); code != exitOK {
		t.Errorf("the first ended with %d", code)
	}
	checkRecord(t, s, "moss")
}

// A hangup reads the configuration again, but only a faultless one is put in
// force, and no timer starts over.
func TestReload(t *testing.T) {
	t.Parallel()
	s := newSite(t, "moss", "fern", "cork")
	s.extra = "[rules]\nfloor_on_delay = \"6 s\"\n"
	p := s.run()
	before := s.ready(p)

	s.climate("fern", 24.5, 60) // below the floor: the on-delay begins
	eventually(t, "fern is dry", func() bool {
		snap, _ := s.room()
		return humidityOf(snap, "fern") < 65
	})
	// Without a fault as a file, but nothing that run can watch.
	s.write("dewline.toml", s.text()+simulatedProbe)
	s.hangup(p)
	s.state(alarm.ConfigRefused, rules.Self, "UNACK")
	p.logged("p-demo is simulated")
	if kept, err := os.ReadFile(filepath.Join(s.data(), "last-good.toml")); err != nil || strings.Contains(string(kept), "p-demo") {
		t.Errorf("the refused configuration was kept as the last good one (%v)", err)
	}

	s.write("dewline.toml", strings.Replace(s.text(), "cork", "c0rk!", 1))
	s.hangup(p)
	s.state(alarm.ConfigRefused, rules.Self, "UNACK")
	p.logged("the old one stays in force")

	// Another lethal limit for cork, and a change that needs no new probes.
	good := strings.Replace(s.text(), "[[enclosure]]\nid = \"cork\"\n", "[[enclosure]]\nid = \"cork\"\nceiling = \"29.5 °C\"\n", 1)
	s.write("dewline.toml", good)
	s.hangup(p)
	s.state(alarm.ConfigRefused, rules.Self, "RTNUN")
	p.logged("the new configuration is in force")
	eventually(t, "the new ceiling is in force", func() bool {
		snap, _ := s.room()
		for _, e := range snap.Enclosures {
			if e.ID == "cork" {
				return e.Lethal == 29.5
			}
		}
		return false
	})
	a := s.state(alarm.HumidityFloor, "fern", "UNACK")
	snap, _ := s.room()
	if snap.Rounds <= before.Rounds || !snap.Started.Equal(before.Started) {
		t.Errorf("the program started over: round %d after %d", snap.Rounds, before.Rounds)
	}

	// A new probe needs a new source: the alarm that is open stays as it is.
	s.climate("bark", 24, 85)
	s.enclosures = append(s.enclosures, "bark")
	s.write("dewline.toml", s.text())
	s.hangup(p)
	eventually(t, "the new probe delivers", func() bool {
		snap, _ := s.room()
		return humidityOf(snap, "bark") > 80
	})
	// Another webhook is in force at once; what only a start reads is refused with
	// all that came with it, until it is taken back.
	hook := "[[webhook]]\nid = \"push\"\nurl = \"https://push.example.test/x\"\n"
	s.write("dewline.toml", s.text()+hook)
	s.hangup(p)
	p.logged("the new configuration is in force")
	s.write("dewline.toml", strings.Replace(s.text(), "id = \"den\"", "id = \"lair\"", 1)+hook)
	s.hangup(p)
	s.state(alarm.ConfigRefused, rules.Self, "UNACK")
	p.logged("room.id cannot change while dewline runs")
	s.write("dewline.toml", s.text())
	s.hangup(p)
	s.state(alarm.ConfigRefused, rules.Self, "RTNUN")
	if b := s.state(alarm.HumidityFloor, "fern", "UNACK"); b.Seq != a.Seq || !b.Since.Wall.Equal(a.Since.Wall) {
		t.Errorf("the open alarm was onset %d since %s and is %d since %s", a.Seq, a.Since.Wall, b.Seq, b.Since.Wall)
	}
	if code := p.stop(); code != exitOK {
		t.Errorf("exit %d", code)
	}
}

// simulatedProbe is of a family that only the demo has.
const simulatedProbe = "[[probe]]\nid = \"p-demo\"\nfamily = \"simulated\"\nplace = \"litter\"\nenclosure = \"fern\"\n"

func (s *site) hangup(p *program) {
	s.t.Helper()
	if err := p.cmd.Process.Signal(syscall.SIGHUP); err != nil {
		s.t.Fatal(err)
	}
}

// humidityOf returns an enclosure's humidity in %, 0 where it is not known.
func humidityOf(snap wire.Room, enclosure string) float64 {
	for _, e := range snap.Enclosures {
		if e.ID == enclosure && e.Humidity.Known {
			return e.Humidity.Value
		}
	}
	return 0
}
