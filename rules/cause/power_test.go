package cause

import (
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/rules/room/roomtest"
	"dewline/sensors"
)

// A room that cools by day may be without power, but where its lamps are seen to add more
// than is unknown of how late enclosures follow, where a light probe sees them, where a
// contact watches the mains, and where few are lit.
func TestRoomOrPower(t *testing.T) {
	const mains = "[[contact]]\nid = \"mains\"\nis = \"mains\"\nchip = \"/dev/gpiochip0\"\nline = 3\n"
	for _, c := range []struct {
		name         string
		lacking, off float64 // °C
		extra        string
		set          func(v *room.View)
		want         bool
	}{
		{"the lamps are seen", 0, 3.3, "", nil, false}, {"the room fell too far for that", 0, 3.4, "", nil, true},
		{"some is lacking", 0.2, 3, "", nil, true}, {"little is", 0.2, 2.6, "", nil, false}, {"all is", 2, 1, "", nil, true},
		{"nobody knows what the lamps add", 0, 3.4, "", func(v *room.View) {
			v.Enclosures[0].St.Lamps, v.Enclosures[1].St.Lamps = climate.LampWatch{}, climate.LampWatch{}
		}, true},
		{"without a room probe", 0, 1, "", func(v *room.View) { v.Probes[0].St.HasTemp = false }, true},
		{"light is seen", 0, 9, "", func(v *room.View) {
			v.Enclosures[2].Now.HasLux, v.Enclosures[2].St.Lamps.Light.State = true, climate.LampsOn
		}, false},
		{"and is not any more", 0, 9, "", func(v *room.View) { v.Enclosures[2].St.Lamps.Light.State = climate.LampsOn }, true},
		{"half should be lit", 0, 9, "", func(v *room.View) { v.Enclosures[0].Lamps, v.Enclosures[1].Lamps = -1, -1 }, true},
		{"fewer should", 0, 9, "", func(v *room.View) { v.Enclosures[0].Lamps, v.Enclosures[1].Lamps, v.Enclosures[2].Lamps = -1, -1, -1 }, false},
		{"it is night", 0, 9, "", func(v *room.View) { v.Lamps[0].On = false }, false},
		{"a contact watches the mains", 0, 9, mains, func(v *room.View) {
			v.Touch(sensors.Contact{ID: "mains", Known: true, Active: true, At: v.At})
		}, false},
		{"it is not known what it says", 0, 9, mains, nil, true},
	} {
		v := roomtest.View(t, 4, c.extra)
		v.Lamps[0].Known, v.Lamps[0].On, v.Lamps[0].Edge = true, true, 4*time.Hour
		for i := range v.Enclosures {
			en := &v.Enclosures[i]
			roomtest.Usual(en, 0, 3)
			en.St.Lamps.Course[1].Mean[8], en.St.Lamps.Course[1].Days[8] = 2, 3
			en.St.Thermal.Observe(climate.ThermalReading{At: time.Second, Air: 24, Room: 24, HasRoom: true, Hour: 12})
			roomtest.Says(v, 1+i, 24-c.lacking, 85)
		}
		if c.set != nil {
			c.set(v)
		}
		pic := v.Survey(v.At)
		pic.Room.HasUsual, pic.Room.Usual = pic.Room.HasTemp, 24+c.off
		got := Look{V: v}.roomOrPower(&v.Enclosures[0], pic, v.At)
		if (got != nil) != c.want || got != nil && got.ID != alarm.FactOrPower {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
}
