// Package sim is a physical room in numbers: outdoor weather, a house with
// an air conditioner and heating, racks of planted glass enclosures with two
// time constants each, lamps, misting, ventilation and probes, and the faults
// that befall them, on command. One seed gives one room, to the last digit.
//
// It serves the demo, the "simulated" probe family and the tests of everything
// that judges climate, which may look at the truth behind the probes. It knows
// nothing of bands, floors or alarms, and its physics are its own: it shares no
// formula with the rules that it puts to the test.
//
// Conductances are in W/K for heat and m³/h for vapour, capacities in J/K,
// temperatures in °C, absolute humidities in g/m³.
package sim
