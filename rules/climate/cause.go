package climate

import "time"

// A CauseKind is what is at fault, with the same names as in package rules.
type CauseKind string

// The kinds of cause.
const (
	NoCause        CauseKind = ""
	RoomCause      CauseKind = "room"
	ShelfCause     CauseKind = "shelf"
	EnclosureCause CauseKind = "enclosure"
	ProbeCause     CauseKind = "probe"
	SupplyCause    CauseKind = "supply"
	LampsCause     CauseKind = "lamps" // all run warm or cool while the room is as usual
	DoorCause      CauseKind = "door"
)

// HourOffset learns by how much an enclosure is usually warmer than the room
// at each hour of day: the median of 14 days. The zero value is ready.
type HourOffset struct{}

// Observe takes the difference enclosure minus room in K at a local hour.
func (o *HourOffset) Observe(hour, difference float64) {}

// At returns the usual difference in K at this hour, false until three days
// have been seen.
func (o *HourOffset) At(hour float64) (float64, bool) { return 0, false }

// A RoomCase is the room at one moment.
type RoomCase struct {
	Temp      float64 // °C
	HasTemp   bool
	Change    float64 // °C over the last 30 min
	HasChange bool
	Usual     float64 // °C usual at this hour
	HasUsual  bool
}

// A Case is one enclosure at one moment.
type Case struct {
	Shelf     int     // group; enclosures of one rack and shelf share a number
	Temp      float64 // °C
	HasTemp   bool    // false: silent; takes no part
	Offset    float64 // own usual offset to the room at this hour
	HasOffset bool
	Change    float64 // °C over the last 30 min
	HasChange bool
	// ProbeDoubt: the probe's own judge doubts it (jump, frozen, impossible dew
	// point, disagrees with its second probe).
	ProbeDoubt bool
	DoorOpen   bool // the door detector says open or ajar
}

// A Finding is the cause of one enclosure's excursion with the numbers behind
// it.
type Finding struct {
	Kind     CauseKind `json:"kind"`
	Shelf    int       `json:"shelf"`
	Residual float64   `json:"residual"` // °C, own offset-corrected difference to the room
	Median   float64   `json:"median"`   // of all residuals
	Scale    float64   `json:"scale"`    // 1.4826 × MAD
	Moving   int       `json:"moving"`   // enclosures that moved the same way by > 1 °C in 30 min
	Judged   int       `json:"judged"`   // enclosures that took part
	RoomOff  float64   `json:"room_off"` // °C, room minus usual
}

// A Picture is the state of all enclosures of a room together.
type Picture struct{}

// Survey looks at all enclosures. scratch is used for sorting and should hold
// at least len(cases); it is grown when too small.
func Survey(room RoomCase, cases []Case, scratch []float64) Picture { return Picture{} }

// CauseOf says what is at fault for one of the surveyed cases.
func (p *Picture) CauseOf(c Case) Finding { return Finding{} }

// DoorEvent is what a reading told about the door.
type DoorEvent uint8

// The events of a door.
const (
	DoorQuiet     DoorEvent = iota
	DoorOpened              // a step toward the room's climate
	DoorRecovered           // half of it came back within 5 min: a normal opening
	DoorAjar                // it did not come back
	DoorShut                // after DoorAjar: it has come back
)

// Door tells an opened door from a door left ajar. The zero value is ready.
type Door struct{}

// DoorReading is one step of a Door. NaN or false where a value is missing.
type DoorReading struct {
	At                 time.Duration
	Temp, RH           float64
	RoomTemp, RoomRH   float64
	HasRoom, HasRoomRH bool
	// Disturbed: lamps switched within 30 min or a mist pulse runs, so that a
	// step alone proves nothing.
	Disturbed bool
}

// Observe takes one good reading.
func (d *Door) Observe(r DoorReading) DoorEvent { return DoorQuiet }

// Open returns since when the door has been open or ajar.
func (d *Door) Open() (since time.Duration, open bool) { return 0, false }

// Ajar reports whether the door counts as left ajar.
func (d *Door) Ajar() bool { return false }
