package remote

import (
	"testing"

	"dewline/configs"
)

// A contact says true or false, or a number; JSON's null and words are neither.
func TestContact(t *testing.T) {
	n, err := NewContact(configs.Contact{ID: "c", Topic: "a/b", Pointer: "/on"}, nil)
	if err != nil {
		t.Fatal(err)
	}
	for payload, want := range map[string]float64{`{"on":true}`: 1, `{"on":false}`: 0, `{"on":1}`: 1, `{"on":"0"}`: 0, `{"on":3.3}`: 3.3} {
		n.Deliver(Message{Payload: []byte(payload)})
		if s, err := n.Sample(t.Context()); err != nil || s.Humidity.Percent() != want {
			t.Errorf("%s: %v, %v, want %v", payload, s.Humidity, err, want)
		}
	}
	for _, payload := range []string{`{"on":null}`, `{"on":"open"}`, `{}`, `true`} {
		n.Deliver(Message{Payload: []byte(payload)})
		if s, err := n.Sample(t.Context()); err == nil {
			t.Errorf("%s is taken for %v", payload, s.Humidity)
		}
	}
	// A probe's humidity is no truth.
	p, err := NewNode(configs.Probe{ID: "p", Topic: "a/b", HumidityPointer: "/on"}, nil)
	if err != nil {
		t.Fatal(err)
	}
	p.Deliver(Message{Payload: []byte(`{"on":true}`)})
	if _, err := p.Sample(t.Context()); err == nil {
		t.Error("a probe takes true for a humidity")
	}
}
