package main

// commands lists what dewline can do, in the order that help prints.
func commands() []command {
	return []command{
		{"version", "print the version", runVersion},
	}
}
