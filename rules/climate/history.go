package climate

import (
	"encoding/base64"
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"time"
)

const (
	slotTime  = 10 * time.Minute
	slotCount = 7 * 24 * 6 // a week
	slotsHour = 6
	slotsDay  = 24 * slotsHour
	slotBytes = 6

	noTemp  = -32768 // in slot.air and slot.room: nothing known
	noLamps = 255
	noHour  = 255
)

// A slot is ten minutes of one enclosure, six bytes.
type slot struct {
	air, room int16 // 0.01 °C; air is noTemp where the slot is unfit to learn from
	lamps     uint8 // share of the time on, 0–200; noLamps
	hour      uint8 // number of the ten minutes of the local day; noHour
}

// history is a ring of slots, kept in JSON as one base64 string.
type history [slotCount]slot

// MarshalText packs the ring.
func (h history) MarshalText() ([]byte, error) {
	text := make([]byte, 0, base64.StdEncoding.EncodedLen(slotCount*slotBytes))
	var b [slotBytes]byte // a multiple of three: pieces are written as the whole is
	for _, s := range h {
		binary.LittleEndian.PutUint16(b[:], uint16(s.air))
		binary.LittleEndian.PutUint16(b[2:], uint16(s.room))
		b[4], b[5] = s.lamps, s.hour
		text = base64.StdEncoding.AppendEncode(text, b[:])
	}
	return text, nil
}

// UnmarshalText accepts exactly what MarshalText writes.
func (h *history) UnmarshalText(text []byte) error {
	raw, err := base64.StdEncoding.AppendDecode(nil, text)
	if err != nil {
		return fmt.Errorf("week of slots: %w", err)
	}
	if len(raw) != slotCount*slotBytes {
		return fmt.Errorf("week of slots has %d bytes, not %d", len(raw), slotCount*slotBytes)
	}
	for i := range h {
		b := raw[i*slotBytes:]
		h[i] = slot{
			air:   int16(binary.LittleEndian.Uint16(b)),
			room:  int16(binary.LittleEndian.Uint16(b[2:])),
			lamps: b[4], hour: b[5],
		}
	}
	return nil
}

func (h *history) clear() {
	for i := range h {
		h[i] = slot{air: noTemp, room: noTemp, lamps: noLamps, hour: noHour}
	}
}

// at returns the slot with the running number n, which may be long
// overwritten: the caller keeps to the last slotCount.
func (h *history) at(n int64) *slot {
	return &h[((n%slotCount)+slotCount)%slotCount]
}

// roomAt returns the room's temperature in °C in slot n.
func (h *history) roomAt(n int64) (float64, bool) {
	s := h.at(n)
	return float64(s.room) / 100, s.room != noTemp
}

// usualDays are the fewest days from which UsualAir tells.
const usualDays = 3

// UsualAir is the air's usual temperature in °C at this time of day, whatever the room:
// the median of the days of the week before, of these ten minutes or the next to them that
// no mist or door disturbed. It is worked out once in ten minutes.
func (m *Thermal) UsualAir(at time.Duration) (celsius float64, known bool) {
	if now := int64(at / slotTime); !m.usual.current || m.usual.slot != now {
		m.usual = m.usualAt(now)
	}
	return m.usual.air, m.usual.known
}

// usualAir is what UsualAir says in one slot, until another is closed.
type usualAir struct {
	slot           int64
	air            float64
	known, current bool
}

func (m *Thermal) usualAt(now int64) usualAir {
	var days [slotCount/slotsDay - 1]int16
	n := 0
	for d := range len(days) {
		for _, beside := range [...]int64{0, -1, 1, -2, 2, -3, 3} {
			then := now - int64(d+1)*slotsDay + beside
			if s := m.Week.at(then); then >= 0 && s.air != noTemp {
				days[n] = s.air
				n++
				break
			}
		}
	}
	u := usualAir{slot: now, known: n >= usualDays, current: true}
	if u.known {
		slices.Sort(days[:n])
		u.air = (float64(days[(n-1)/2]) + float64(days[n/2])) / 200
	}
	return u
}

// centi rounds °C into a slot, saturating far outside of what lives.
func centi(c float64) int16 {
	return int16(min(max(math.Round(c*100), -32000), 32000))
}
