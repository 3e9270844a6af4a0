package main

// commands lists what dewline can do, in the order that help prints.
func commands() []command {
	table := []command{
		{"run", "watch a room", runRun},
		{"sentinel", "watch rooms from a second machine, tell when one is silent", runSentinel},
		{"demo", "show everything on a simulated room, without hardware or server", runDemo},
		{"check", "check a configuration and say everything that is wrong", runCheck},
		{"probes", "look for connected probes and print their configuration", runProbes},
		{"calibrate", "guide a calibration on live readings", runCalibrate},
		{"replay", "run a recorded trace through the rules", runReplay},
		{"whatif", "ask what a room's temperature would do to every enclosure", runWhatIf},
		{"alarms", "list the open alarms and notices of the running daemon", runAlarms},
		{"note", "write a note about an enclosure", runNote},
		{"drill", "send a test notice and wait for its answer", runDrill},
	}
	table = append(table, answering()...)
	table = append(table,
		command{"journal", "print who did what, or check that nothing was changed", runJournal},
		command{"summary", "show or mail the summary of a week", runSummary},
		command{"export", "write readings as CSV or OpenMetrics", runExport},
		command{"import", "add a trace to the record", runImport},
		command{"backup", "copy the record, also while dewline runs", runBackup},
		command{"restore", "put a copy back as the record", runRestore},
		command{"repair", "save what can be read of a damaged record", runRepair},
	)
	return append(table, command{"version", "print the version", runVersion})
}
