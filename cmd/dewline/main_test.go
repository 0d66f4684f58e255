package main

import (
	"os"
	"path/filepath"
	"runtime/debug"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"dewline": main})
}

// TestScripts runs each archive of testdata/script against the real command. $SHARED is the project's
// testdata folder.
func TestScripts(t *testing.T) {
	shared, err := filepath.Abs("../../testdata")
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script",
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		UpdateScripts:       os.Getenv("UPDATE_SCRIPTS") != "",
		Setup: func(env *testscript.Env) error {
			env.Setenv("SHARED", shared)
			return nil
		},
	})
}

func TestVersionText(t *testing.T) {
	info := &debug.BuildInfo{GoVersion: "go1.26.0", Main: debug.Module{Version: "v1.2.3"}, Settings: []debug.BuildSetting{
		{Key: "GOOS", Value: "linux"}, {Key: "GOARCH", Value: "arm64"}}}
	if got, want := versionText(info), "dewline v1.2.3, built with go1.26.0 for linux/arm64"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	info.Main.Version = ""
	info.Settings = append(info.Settings, debug.BuildSetting{Key: "vcs.revision", Value: "0123456789abcdef"},
		debug.BuildSetting{Key: "vcs.time", Value: "2031-07-02T14:10:00Z"}, debug.BuildSetting{Key: "vcs.modified", Value: "true"})
	want := "dewline (devel), commit 0123456789ab of 2031-07-02T14:10:00Z with changes, built with go1.26.0 for linux/arm64"
	if got := versionText(info); got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}
