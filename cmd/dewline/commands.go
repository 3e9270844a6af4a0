package main

// commands lists what dewline can do, in the order that help prints.
func commands() []command {
	return []command{
		{"run", "watch a room", runRun},
		{"demo", "show everything on a simulated room, without hardware or server", runDemo},
		{"check", "check a configuration and say everything that is wrong", runCheck},
		{"replay", "run a recorded trace through the rules", runReplay},
		{"version", "print the version", runVersion},
	}
}
