package daemon

import (
	"os"
	"testing"
	"time"

	"dewline/cmd/dewline/core"
	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
	"dewline/sensors/table"
)

const rigRoom = "[room]\nid = \"den\"\nname = \"Den\"\ntimezone = \"UTC\"\npoll = \"10 s\"\n" +
	"[rules]\nrealarm_after = \"30 min\"\n" +
	"[[lamps]]\nid = \"day\"\non = \"08:00-20:00\"\n" +
	"[[probe]]\nid = \"room\"\nfamily = \"simulated\"\nplace = \"room\"\n" +
	"[[enclosure]]\nid = \"moss\"\nrack = \"a\"\nshelf = 1\nslot = 1\nspecies = \"dendrobates-tinctorius\"\nvolume = \"90 L\"\nlamps = \"day\"\n" +
	"[[probe]]\nid = \"p\"\nfamily = \"simulated\"\nplace = \"canopy\"\nenclosure = \"moss\"\n" +
	"[mqtt]\nbroker = \"tcp://127.0.0.1:1883\"\n[mail]\nhost = \"mail.example.org\"\nfrom = \"dewline@example.org\"\n"

func decode(t *testing.T, text string) *configs.Config {
	t.Helper()
	cfg, err := table.Decode("test.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return cfg
}

func demoConfig(t testing.TB) *configs.Config {
	t.Helper()
	cfg, err := table.Decode("demo.toml", configs.Demo())
	if err != nil {
		t.Fatal(err)
	}
	return cfg
}

func at(mono time.Duration, synced bool) sensors.Instant {
	wall := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC).Add(mono)
	return sensors.Instant{Mono: mono, Wall: wall, Synced: synced}
}

// longChecks reports whether the checks that take minutes are asked for.
func longChecks() bool { return os.Getenv("DEWLINE_LONG") != "" }

func openSelf(c *core.Core, id alarm.ID) (rules.AlarmView, bool) {
	for _, v := range c.Open() {
		if v.Key.Alarm == id {
			return v, true
		}
	}
	return rules.AlarmView{}, false
}
