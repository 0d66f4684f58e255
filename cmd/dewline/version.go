package main

import (
	"cmp"
	"fmt"
	"runtime/debug"
)

type versionCommand struct{}

func (*versionCommand) Run(std *streams) error {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return fmt.Errorf("this binary was built without build information: build it with the go command in module mode")
	}
	fmt.Fprintln(std.out, versionText(info))
	return nil
}

// versionText says what the go command recorded: the version, the commit, and whether files differed
// from it.
func versionText(info *debug.BuildInfo) string {
	settings := make(map[string]string)
	for _, s := range info.Settings {
		settings[s.Key] = s.Value
	}
	text := "dewline " + cmp.Or(info.Main.Version, "(devel)")
	if commit := settings["vcs.revision"]; commit != "" {
		text += fmt.Sprintf(", commit %.12s of %s", commit, cmp.Or(settings["vcs.time"], "unknown time"))
		if settings["vcs.modified"] == "true" {
			text += " with changes"
		}
	}
	return text + ", built with " + info.GoVersion + " for " + settings["GOOS"] + "/" + settings["GOARCH"]
}
