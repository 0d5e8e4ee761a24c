package main

import (
	"bytes"
	"errors"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fettle/nmra/cv"
	"fettle/nmra/cv/regtoml"
	"fettle/prog/journal"
)

// workshop is a folder to run the real command in, with a bench of its own.
type workshop struct {
	t       *testing.T
	command string // the path of the binary
	folder  string
	state   string // where the bench remembers
}

// newWorkshop builds the command and makes a folder for it.
func newWorkshop(t *testing.T) *workshop {
	t.Helper()
	w := &workshop{t: t, command: filepath.Join(t.TempDir(), "fettle.exe"), folder: t.TempDir(), state: t.TempDir()}
	build := exec.Command("go", "build", "-o", w.command, ".")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("building the command: %v\n%s", err, out)
	}
	return w
}

// start starts the command, its output going to out.
func (w *workshop) start(out *bytes.Buffer, args ...string) *exec.Cmd {
	w.t.Helper()
	cmd := w.prepare(args...)
	cmd.Stdout, cmd.Stderr = out, out
	if err := cmd.Start(); err != nil {
		w.t.Fatal(err)
	}
	return cmd
}

func (w *workshop) prepare(args ...string) *exec.Cmd {
	cmd := exec.Command(w.command, args...)
	cmd.Dir = w.folder
	cmd.Env = append(os.Environ(), "XDG_STATE_HOME="+w.state, "FETTLE_STATION=")
	return cmd
}

// run runs the command and wants a status.
func (w *workshop) run(want status, args ...string) string {
	w.t.Helper()
	var out bytes.Buffer
	if got := ended(w.t, w.start(&out, args...)); got != want {
		w.t.Fatalf("fettle %s: status %d, want %d\n%s", strings.Join(args, " "), got, want, &out)
	}
	return out.String()
}

// ended waits for a command's end; a status below 0 is that of one that was killed.
func ended(t *testing.T, cmd *exec.Cmd) status {
	t.Helper()
	err := cmd.Wait()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		t.Fatal(err)
	}
	return status(cmd.ProcessState.ExitCode())
}

// file is the one file in a folder that matches a pattern; "" where there is none.
func (w *workshop) file(folder, pattern string) string {
	w.t.Helper()
	found, err := filepath.Glob(filepath.Join(folder, pattern))
	if err != nil || len(found) > 1 {
		w.t.Fatalf("%s: found %v, %v, want one", pattern, found, err)
	}
	if len(found) == 0 {
		return ""
	}
	return found[0]
}

// writing waits until the one journal in the folder tells of so many writes.
func (w *workshop) writing(n int) {
	w.t.Helper()
	for begun := time.Now(); time.Since(begun) < time.Minute; time.Sleep(time.Millisecond) {
		if path := w.file(w.folder, "*.journal"); path != "" {
			if rec, err := journal.Read(path); err == nil && len(rec.Writes) >= n {
				return
			}
		}
	}
	w.t.Fatalf("no journal tells of %d writes", n)
}

// held is what the bench's decoder holds, from the file that it remembers in, but for what changes by itself.
func (w *workshop) held() cv.Values {
	w.t.Helper()
	path := w.file(filepath.Join(w.state, "fettle", "bench"), "*.toml")
	data, err := os.ReadFile(path)
	if err != nil {
		w.t.Fatal(err)
	}
	doc, err := regtoml.Parse(path, data)
	if err != nil {
		w.t.Fatal(err)
	}
	values, ok := doc.Root().Values("registers")
	if !ok {
		w.t.Fatalf("%s: no registers", path)
	}
	maps.DeleteFunc(values, func(r cv.Register, _ uint8) bool { return r.CV >= 880 && r.CV <= 895 })
	return values
}

// again takes the bench back to a state, and clears the journals away.
func (w *workshop) again(state string) {
	w.t.Helper()
	for _, old := range []string{w.folder, w.state} {
		entries, err := os.ReadDir(old)
		if err != nil {
			w.t.Fatal(err)
		}
		for _, e := range entries {
			if filepath.Ext(e.Name()) != ".toml" {
				if err := os.RemoveAll(filepath.Join(old, e.Name())); err != nil {
					w.t.Fatal(err)
				}
			}
		}
	}
	if err := os.CopyFS(w.state, os.DirFS(state)); err != nil {
		w.t.Fatal(err)
	}
}

// snapshot keeps what the bench remembers, for again.
func (w *workshop) snapshot() string {
	w.t.Helper()
	folder := w.t.TempDir()
	if err := os.CopyFS(folder, os.DirFS(w.state)); err != nil {
		w.t.Fatal(err)
	}
	return folder
}
