package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/spf13/cobra"
)

// badDocument is the exit status of the tested command where its --json is not as it has to be.
const badDocument = 99

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"fettle": func() {
		if words := os.Getenv("STOPPED_AT"); words != "" {
			os.Exit(int(run(stoppable(), os.Args[1:], stopsAt{words}, os.Stderr)))
		}
		if !slices.Contains(os.Args, "--json") {
			main()
		}
		var document bytes.Buffer
		code := run(context.Background(), os.Args[1:], io.MultiWriter(os.Stdout, &document), os.Stderr)
		documents := []string{document.String()}
		if os.Args[1] == "signal" {
			documents = strings.SplitAfter(strings.TrimSuffix(documents[0], "\n"), "\n") // one a line
		}
		for _, d := range documents {
			if err := checkDocument([]byte(d)); code <= saidNo && err != nil {
				fmt.Fprintln(os.Stderr, "--json:", err)
				code = badDocument
			}
		}
		os.Exit(int(code))
	}})
}

// stopsAt is standard output of a command that is stopped as with Ctrl-C once it has printed some words: STOPPED_AT in a script.
type stopsAt struct{ words string }

func (s stopsAt) Write(p []byte) (int, error) {
	n, err := os.Stdout.Write(p)
	if err == nil && bytes.Contains(p, []byte(s.words)) {
		var self *os.Process
		if self, err = os.FindProcess(os.Getpid()); err == nil {
			err = self.Signal(os.Interrupt)
		}
	}
	return n, err
}

// commands are those of the scripts, beside testscript's own.
var commands = map[string]func(*testscript.TestScript, bool, []string){
	"exits": exitsWith, "journal": findJournal, "sparse": makeSparse, "latin1": makeLatin1, "unfolded": matchUnfolded,
}

func TestSessions(t *testing.T) {
	shipped, err := filepath.Abs(filepath.Join("..", "..", "testdata"))
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata",
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Setup: func(e *testscript.Env) error {
			e.Setenv("XDG_STATE_HOME", filepath.Join(e.WorkDir, "state"))
			e.Setenv("FETTLE_STATION", "")
			e.Setenv("TESTDATA", shipped)
			e.Setenv("GORACE", "atexit_sleep_ms=0") // else each command waits for a second, and there are hundreds
			return nil
		},
		Cmds: commands,
	})
}

// exitsWith is the script command `exits STATUS COMMAND...`.
func exitsWith(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exits STATUS COMMAND...")
	}
	want, err := strconv.Atoi(args[0])
	if err != nil {
		ts.Fatalf("exits: %q is no status", args[0])
	}
	got := 0
	if err := ts.Exec(args[1], args[2:]...); err != nil {
		var exit *exec.ExitError
		if !errors.As(err, &exit) {
			ts.Fatalf("exits: %v", err)
		}
		got = exit.ExitCode()
	}
	if got != want {
		ts.Fatalf("exit status %d, want %d", got, want)
	}
	if slices.Contains(args, "--json") || slices.Contains(args, "--as") || slices.Contains(args, "--log") {
		return // that is not for a screen
	}
	for _, stream := range []string{"stdout", "stderr"} {
		if text := ts.ReadFile(stream); wrapped(text, screenWidth, "") != text {
			ts.Fatalf("%s has a line of more than %d columns that could be broken", stream, screenWidth)
		}
	}
}

// matchUnfolded is the script command `unfolded STREAM PATTERN`: the pattern is in stdout or stderr once lines that were broken for the
// width of a screen are whole again.
func matchUnfolded(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: unfolded stdout|stderr PATTERN")
	}
	text := regexp.MustCompile(`\n {2,}`).ReplaceAllString(ts.ReadFile(args[0]), " ")
	if !regexp.MustCompile("(?m)" + args[1]).MatchString(text) {
		ts.Fatalf("no match for `%s` in\n%s", args[1], text)
	}
}

func TestEveryVerbHasASessionWithAFailureAndItsJSON(t *testing.T) {
	files, err := filepath.Glob("testdata/*.txt")
	if err != nil {
		t.Fatal(err)
	}
	var commands []string
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(string(text)) {
			if strings.HasPrefix(line, "exits ") {
				commands = append(commands, strings.TrimSpace(line)+" ")
			}
		}
	}
	some := func(pattern string) bool {
		return slices.ContainsFunc(commands, regexp.MustCompile(pattern).MatchString)
	}
	for _, verb := range newRoot().Commands() {
		path := regexp.QuoteMeta(verb.CommandPath())
		if !some(`^exits [1-5] ` + path + ` `) {
			t.Errorf("no session has %s fail", verb.CommandPath())
		}
		if hasJSON(verb) && !some(`^exits [01] `+path+` .*--json `) {
			t.Errorf("no session asks %s for --json", verb.CommandPath())
		}
		for _, leaf := range leaves(verb) {
			if !some(`^exits [01] ` + regexp.QuoteMeta(leaf.CommandPath()) + ` `) {
				t.Errorf("no session has %s succeed", leaf.CommandPath())
			}
			if leaf.Annotations["exits"] == "" {
				t.Errorf("%s --help does not list its exit statuses", leaf.CommandPath())
			}
		}
	}
}

func leaves(cmd *cobra.Command) (all []*cobra.Command) {
	if !cmd.HasSubCommands() {
		return []*cobra.Command{cmd}
	}
	for _, c := range cmd.Commands() {
		all = append(all, leaves(c)...)
	}
	return all
}

func hasJSON(cmd *cobra.Command) bool {
	return slices.ContainsFunc(leaves(cmd), func(leaf *cobra.Command) bool { return leaf.Flags().Lookup("json") != nil })
}

var snakeCase = regexp.MustCompile(`^[a-z][a-z0-9]*(_[a-z0-9]+)*$`)

// checkDocument holds that there is one JSON document, an object, and that each of its keys is in snake_case.
func checkDocument(text []byte) error {
	d := json.NewDecoder(bytes.NewReader(text))
	var v map[string]any
	if err := d.Decode(&v); err != nil {
		return fmt.Errorf("no JSON object: %w", err)
	}
	if _, err := d.Token(); err != io.EOF {
		return errors.New("more than one document")
	}
	return checkKeys(v)
}

func checkKeys(v any) error {
	switch v := v.(type) {
	case map[string]any:
		for key, below := range v {
			if !snakeCase.MatchString(key) {
				return fmt.Errorf("key %q is not in snake_case", key)
			}
			if err := checkKeys(below); err != nil {
				return err
			}
		}
	case []any:
		for _, below := range v {
			if err := checkKeys(below); err != nil {
				return err
			}
		}
	}
	return nil
}

func TestADocumentWithAnyKeyNotInSnakeCaseIsFound(t *testing.T) {
	for text, good := range map[string]bool{
		`{"stop_mm": 1, "runs": [{"airtime_ms": 2}]}`: true,
		`{"stopMM": 1}`:                   false,
		`{"runs": [{"Lead": "front"}]}`:   false,
		`{"260@16.3": 7}`:                 false,
		`{"a": 1} {"b": 2}`:               false,
		`simulated bench: harbour tram 3`: false,
		``:                                false,
	} {
		if err := checkDocument([]byte(text)); (err == nil) != good {
			t.Errorf("%s: %v, want good: %v", text, err, good)
		}
	}
}
