package sim

import (
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"dewline/configs"
	"dewline/sensors/table"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// What is written as a configuration is taken by its strict decoder, and
// describes the same room.
func TestConfigRoundTrip(t *testing.T) {
	rng := rand.New(rand.NewPCG(21, 22))
	for range 40 {
		o := RandomRoom(rng)
		cfg, err := table.Decode("random.toml", o.TOML())
		if err != nil {
			t.Fatalf("%v\n%s", err, o.TOML())
		}
		got, err := FromConfig(cfg, o.Seed, o.Start)
		if err != nil {
			t.Fatal(err)
		}
		if got.Location.String() != o.Location.String() || cfg.Room.Poll.D() != MaxStep {
			t.Errorf("zone %s for %s, poll %s", got.Location, o.Location, cfg.Room.Poll.D())
		}
		want := o.withDefaults()
		for i := range want.Mists { // the configuration has no length of a pulse
			want.Mists[i].Pulse = 0
		}
		for i, p := range want.Probes { // nor any flaws
			want.Probes[i] = Probe{ID: p.ID, Enclosure: p.Enclosure, Place: p.Place}
		}
		unused := []cmp.Option{ // by the room, and filled in by the decoder
			cmpopts.IgnoreFields(configs.Enclosure{}, "Name"),
			cmpopts.IgnoreFields(configs.Mist{}, "Longest"), cmpopts.IgnoreUnexported(configs.Mist{}),
		}
		if diff := cmp.Diff(want.Enclosures, got.Enclosures, unused...) + cmp.Diff(want.Lamps, got.Lamps) +
			cmp.Diff(want.Mists, got.Mists, unused...) + cmp.Diff(want.Probes, got.Probes); diff != "" {
			t.Fatalf("(-want +got):\n%s", diff)
		}
	}
}

// Only simulated probes come along; a broken reference is named.
func TestFromConfig(t *testing.T) {
	cfg := &configs.Config{
		Room:       configs.Room{Location: time.UTC},
		Enclosures: []configs.Enclosure{{ID: "a", Lamps: "none"}},
		Probes:     []configs.Probe{{ID: "p", Family: "sht4x", Enclosure: "nowhere"}},
	}
	_, err := FromConfig(cfg, 1, julyAt(0, 0))
	if err == nil || !strings.Contains(err.Error(), `enclosure "a": no lamps "none"`) || strings.Contains(err.Error(), "nowhere") {
		t.Errorf("got %v", err)
	}
	if _, err := FromConfig(nil, 1, julyAt(0, 0)); err == nil {
		t.Error("no configuration, no error")
	}
}

// A bare room is given what a configuration has to have.
func TestTOMLFillsIn(t *testing.T) {
	o := Options{
		Start: julyAt(0, 0), Enclosures: []Enclosure{{Enclosure: configs.Enclosure{ID: "tank-1"}}},
		Probes: []Probe{{ID: "p-1", Enclosure: "tank-1", Place: configs.Litter}},
	}
	cfg, err := table.Decode("bare.toml", o.TOML())
	if err != nil {
		t.Fatal(err)
	}
	if e := cfg.Enclosures[0]; e.Volume != refLitres || e.Species == "" || cfg.Room.Timezone != "UTC" {
		t.Errorf("%+v", e)
	}
}
