// Package sim is a physical room in numbers: weather, a house with conditioning, racks of
// planted enclosures of two time constants each, lamps, misting and probes, and the faults
// that befall them on command. One seed gives one room, to the last digit.
//
// It serves the demo and the tests of all that judges climate, which may look at the truth
// behind the probes. It shares no formula with the rules that it puts to the test.
//
// Conductances are in W/K for heat and m³/h for vapour, capacities in J/K, temperatures in
// °C, absolute humidities in g/m³.
package sim
