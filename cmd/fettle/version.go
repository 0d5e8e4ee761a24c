package main

import (
	"runtime/debug"
	"strings"
)

// version says which fettle this is: a release, or the revision that it was built from, as far as the build says.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unversioned"
	}
	return versionOf(*info)
}

func versionOf(info debug.BuildInfo) string {
	if v := info.Main.Version; v != "" && v != "(devel)" && !strings.HasPrefix(v, "v0.0.0-") {
		return v
	}
	var revision, changed string
	for _, s := range info.Settings {
		switch {
		case s.Key == "vcs.revision":
			revision = s.Value
		case s.Key == "vcs.modified" && s.Value == "true":
			changed = ", changed"
		}
	}
	if revision == "" {
		return "unversioned"
	}
	const enough = 12 // digits of a revision, to find it by
	return "revision " + revision[:min(len(revision), enough)] + changed
}
