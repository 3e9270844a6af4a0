package configs

import "testing"

// A contact with a list is about those enclosures, without one about all.
func TestContactAbout(t *testing.T) {
	c := Contact{Serves: []string{"a"}}
	if !c.About("a") || c.About("b") || !(&Contact{}).About("b") {
		t.Error("a contact is about other enclosures than it names")
	}
}

// A charge has a unit and lies between empty and full.
func TestCharge(t *testing.T) {
	for text, want := range map[string]Charge{"20 %": {20, "%"}, "3.3V": {3.3, "V"}} {
		var c Charge
		if err := c.UnmarshalText([]byte(text)); err != nil || c != want {
			t.Errorf("%q: %+v, %v, want %+v", text, c, err, want)
		}
	}
	for _, text := range []string{"", "20", "0 %", "-1 V", "100 %", "3300 mV", "3,3 V", "full"} {
		var c Charge
		if err := c.UnmarshalText([]byte(text)); err == nil {
			t.Errorf("%q is taken for %+v", text, c)
		}
	}
}
