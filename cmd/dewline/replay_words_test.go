package main

import (
	"strings"
	"testing"

	"dewline/configs"
)

// Flags that would count for nothing, and a trace that says nothing, are told.
func TestReplay_WhatIsIgnored(t *testing.T) {
	dir := t.TempDir()
	room := write(t, dir, "room.toml", string(configs.Demo()))
	empty := write(t, dir, "empty.csv", "time,probe,temperature_c,humidity_pct\n")
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"--config", room, "--lights", "08:00-20:00"}, exitUsage, "go with --species"},
		{[]string{"--config", room, "--mist", "08:00"}, exitUsage, "go with --species"},
		{[]string{"--config", room, "--timezone", "UTC"}, exitUsage, "go with --species"},
		{[]string{"--config", room}, exitOK, "empty.csv: no reading in it"},
		{[]string{"--species", "dendrobates-auratus", "--timezone", "UTC"}, exitOK, "empty.csv: no reading in it"},
	} {
		code, out, problem := runDewline(t, append([]string{"replay", "--trace", empty}, c.args...)...)
		if code != c.code || out != "" || !strings.Contains(problem, c.want) {
			t.Errorf("%v: %d %q %q, want %d %q", c.args, code, out, problem, c.code, c.want)
		}
	}
}
