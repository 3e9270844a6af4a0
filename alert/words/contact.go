package words

import (
	"strconv"
	"time"
)

// contactSays are what a contact says where it is active and where it is not.
var contactSays = map[string][2]string{
	"mains": {"the mains are there", "the mains are away"}, "pump": {"the pump runs", "the pump stands still"},
	"reservoir": {"the reservoir is low", "the reservoir is full enough"}, "door": {"the door is open", "the door is shut"},
}

// Contact says what a contact of a sense says, and for how long.
func Contact(is string, active bool, span time.Duration) string {
	said := contactSays[is][1]
	if active {
		said = contactSays[is][0]
	}
	return said + ", for " + Span(span)
}

// Battery says how full a battery is, in "%" or "V".
func Battery(charge float64, unit string, low bool) string {
	text := strconv.FormatFloat(charge, 'f', -1, 64) + " " + unit
	if low {
		text += ", low"
	}
	return text
}
