package app

import "runtime/debug"

// software is the name and version that files made by this program carry.
func software() string {
	info, ok := debug.ReadBuildInfo()
	if !ok || info.Main.Version == "" || info.Main.Version == "(devel)" {
		return "creepage"
	}
	return "creepage " + info.Main.Version
}
