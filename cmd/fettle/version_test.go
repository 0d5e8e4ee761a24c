package main

import (
	"runtime/debug"
	"testing"
)

func TestAVersionIsTheReleaseElseTheRevisionWhereOneIsKnown(t *testing.T) {
	of := func(main string, settings ...debug.BuildSetting) debug.BuildInfo {
		return debug.BuildInfo{Main: debug.Module{Version: main}, Settings: settings}
	}
	revision := debug.BuildSetting{Key: "vcs.revision", Value: "0123456789abcdef0123456789abcdef01234567"}
	for _, c := range []struct {
		info debug.BuildInfo
		want string
	}{
		{of("v1.2.3", revision), "v1.2.3"},
		{of("v0.0.0-20261125203000-0123456789ab", revision), "revision 0123456789ab"},
		{of("(devel)", revision, debug.BuildSetting{Key: "vcs.modified", Value: "true"}), "revision 0123456789ab, changed"},
		{of("", revision, debug.BuildSetting{Key: "vcs.modified", Value: "false"}), "revision 0123456789ab"},
		{of("(devel)"), "unversioned"},
	} {
		if got := versionOf(c.info); got != c.want {
			t.Errorf("%+v: %q, want %q", c.info, got, c.want)
		}
	}
}
