// Package chart draws climate over time: one model, laid out once into plain
// shapes, written as SVG for a page and as PNG for mail.
//
// What is drawn is decided here: ticks in local time, the band as a ribbon
// that steps with day and night, lamps-off hours shaded, gaps left open. Where
// the values come from is the caller's matter; nothing here reads a clock or
// the record.
package chart
