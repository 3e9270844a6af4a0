package page

import (
	"cmp"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"dewline/alert"
	"dewline/alert/words"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules"
)

// racks puts every enclosure where it stands: racks by name, shelves from the
// top (they count from below), slots from the left.
func (s overviews) racks(r *http.Request, snap *alert.Snapshot, cfg *configs.Config, u unit.Scale) []rack {
	order := make([]*rules.EnclosureView, len(snap.Enclosures))
	for i := range snap.Enclosures {
		order[i] = &snap.Enclosures[i]
	}
	slices.SortStableFunc(order, func(a, b *rules.EnclosureView) int {
		return cmp.Or(strings.Compare(a.Rack, b.Rack), cmp.Compare(b.Shelf, a.Shelf), cmp.Compare(a.Slot, b.Slot))
	})
	past := s.ranges.of(r.Context(), s.o.Record(), cfg, snap.At.Wall)
	var out []rack
	for i, v := range order {
		if i == 0 || v.Rack != order[i-1].Rack {
			name := words.Capital(configs.RackWords(v.Rack))
			if v.Rack == "" {
				name = "Elsewhere"
			}
			out = append(out, rack{Name: name})
		}
		k := &out[len(out)-1]
		if len(k.Shelves) == 0 || v.Shelf != order[i-1].Shelf {
			name := ""
			if v.Shelf > 0 {
				name = fmt.Sprintf("shelf %d", v.Shelf)
			}
			k.Shelves = append(k.Shelves, shelf{Name: name})
		}
		f := &k.Shelves[len(k.Shelves)-1]
		f.Tiles = append(f.Tiles, tileOf(v, past, u))
	}
	return out
}

func tileOf(v *rules.EnclosureView, past map[string]extremes, u unit.Scale) tile {
	t := tile{ID: v.ID, Name: cmp.Or(v.Name, v.ID), Status: statusOf(v), Gauge: gaugeOf(v), Temp: "–", Hum: "–"}
	if v.Temperature.Known {
		t.Temp = strings.TrimSuffix(words.Beside(v.Temperature.Value, v.Lethal, u), " "+u.Name()) + "°"
	}
	t.Hum = cmp.Or(humText(v), t.Hum)
	if day, ok := past[v.ID]; ok {
		t.Range = words.Bare(day.low, u) + "–" + words.Bare(day.high, u) + "°"
	}
	switch {
	case v.MissedMists > 0:
		t.Mist = "missed"
	case v.LastMist != nil:
		t.Mist = words.Short(*v.LastMist)
	}
	return t
}

type rack struct {
	Name    string
	Shelves []shelf
}

type shelf struct {
	Name  string
	Tiles []tile
}

// A tile is one enclosure where it stands.
type tile struct {
	ID, Name  string
	Status    status
	Temp, Hum string
	Gauge     gauge
	Range     string // of the last 24 h
	Mist      string
}
