// Package remote reads wireless nodes that publish JSON over MQTT: a Node keeps the newest
// value and says how old it is, the Subscriber feeds Nodes. It only listens.
//
// A value is only as good as its age. A message that the broker had retained proves
// nothing about now unless it carries its own time. A live message whose time cannot be
// right is dated by its arrival and doubted, so that a clock hides no heat; a backlog
// never is.
package remote

import (
	"fmt"
	"time"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/i2c"
)

// Family is the row of wireless nodes, with the widest limits.
func Family() sensors.Family {
	return sensors.Family{
		Name: "remote", Needs: []string{"topic"},
		Allows: []string{"temperature_pointer", "temperature_unit", "humidity_pointer", "humidity_unit", "time_pointer", "max_age"},
		Check:  check,
		Measures: func(p configs.Probe) configs.Measures {
			return configs.Measures{Temperature: p.TemperaturePointer != "", Humidity: p.HumidityPointer != ""}
		},
		Limits: sensors.WidestLimits(),
		Open:   func(p configs.Probe, _ i2c.Bus) (sensors.Sampler, error) { return NewNode(p, sensors.KernelSynced) },
		Wire:   func(configs.Probe) string { return "remote" },
		Sends:  true,
	}
}

// check looks at how a node's JSON is read.
func check(s *configs.Section, p configs.Probe) {
	s.FaultIf(!s.Has("temperature_pointer") && !s.Has("humidity_pointer"), "",
		`add temperature_pointer = "/temperature" or humidity_pointer`, "probe %q reads nothing from its node's JSON", p.ID)
	s.Node(fmt.Sprintf("probe %q", p.ID), p.Topic, map[string]string{
		"temperature_pointer": p.TemperaturePointer, "humidity_pointer": p.HumidityPointer, "time_pointer": p.TimePointer,
	})
	s.OneOf("temperature_unit", p.TemperatureUnit, "°C", "F")
	s.OneOf("humidity_unit", p.HumidityUnit, "%", "ratio")
	s.Within("max_age", p.MaxAge, configs.Duration(time.Second), configs.Duration(24*time.Hour))
}
