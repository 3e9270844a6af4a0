package configs

import "slices"

// Sense is what a contact is about, and so what it means that it is active.
type Sense string

// The senses.
const (
	SenseMains     Sense = "mains"     // active: the mains are there
	SensePump      Sense = "pump"      // active: the mist pump runs
	SenseReservoir Sense = "reservoir" // active: the reservoir is low
	SenseDoor      Sense = "door"      // active: the door of an enclosure is open
	SenseBattery   Sense = "battery"   // no contact but a figure: a node's battery
)

var senses = []string{string(SenseMains), string(SensePump), string(SenseReservoir), string(SenseDoor), string(SenseBattery)}

// Contact is a line or a value of a node that tells one fact.
type Contact struct {
	ID string `toml:"id"`
	Is Sense  `toml:"is" oneof:"mains,pump,reservoir,door,battery"`
	// A line of a GPIO chip.
	Chip string `toml:"chip"` // "/dev/gpiochip0"
	Line int    `toml:"line"`
	Bias string `toml:"bias" oneof:"pull-up,pull-down,none"` // "pull-up", "pull-down", "none"; empty leaves it as it is
	// Or a node's message: true, false or a number at a JSON pointer.
	Topic       string   `toml:"topic"`
	Pointer     string   `toml:"pointer"` // RFC 6901
	TimePointer string   `toml:"time_pointer"`
	MaxAge      Duration `toml:"max_age" default:"5 min" within:"1 s to 1 day"` // 3 messages of the node
	// ActiveLow turns a line, or true and false, around.
	ActiveLow bool     `toml:"active_low"`
	Debounce  Duration `toml:"debounce" default:"1 s" within:"0 s to 1 min"` // a state counts once it has held for so long
	// Serves names the enclosures that it is about; empty for the whole room.
	Serves []string `toml:"serves"`
	// Mist is the [[mist]] that a pump or a reservoir feeds; empty for all.
	Mist string `toml:"mist"`
	// Low is the charge at which a battery is low.
	Low Charge `toml:"low"`
}

// Charge is how full a battery is, in what its node sends. In TOML "20 %" or "3.3 V".
type Charge struct {
	Figure float64
	Unit   string // "%" or "V"
}

func (Charge) example() string { return "20 %" }

// UnmarshalText reads a number above 0 with % or V.
func (c *Charge) UnmarshalText(text []byte) error {
	const hint = `write it with its unit, as in "20 %" or "3.3 V"`
	v, unit, err := number(string(text), hint)
	switch {
	case err != nil:
		return err
	case unit == "":
		return refuse(hint, "the charge %q has no unit", text)
	case unit != "%" && unit != "V":
		return refuse(hint, "the unit %q is neither %% nor V", unit)
	case v <= 0 || v >= 100:
		return refuse("check the number and its unit", "the charge %q is outside 0 to 100", text)
	}
	*c = Charge{v, unit}
	return nil
}

// About reports whether a contact is about an enclosure.
func (c *Contact) About(enclosure string) bool {
	return len(c.Serves) == 0 || slices.Contains(c.Serves, enclosure)
}
