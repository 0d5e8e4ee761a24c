package main

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/term"

	"fettle/station/bench"
	"fettle/trial"
)

// screen is what a person at a terminal sees.
type screen struct {
	heard chan string
	text  string // that has been seen and not looked for
}

// terminalFor is a keyboard at a terminal, and the person's side of it.
func terminalFor(t *testing.T) (k *keyboard, tty, person *os.File, s *screen) {
	t.Helper()
	person, tty, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { person.Close(); tty.Close() })
	s = &screen{heard: make(chan string, 1000)}
	go func() {
		for b := make([]byte, 4096); ; {
			n, err := person.Read(b)
			if err != nil {
				return
			}
			s.heard <- string(b[:n])
		}
	}()
	return newKeyboard(tty, tty), tty, person, s
}

// until waits for the tool to say something.
func (s *screen) until(t *testing.T, what string) {
	t.Helper()
	for limit := time.After(10 * time.Second); ; {
		if _, after, ok := strings.Cut(s.text, what); ok {
			s.text = after
			return
		}
		select {
		case text := <-s.heard:
			s.text += text
		case <-limit:
			t.Fatalf("it said %q, want %q", s.text, what)
		}
	}
}

func press(t *testing.T, person io.Writer, keys string) {
	t.Helper()
	if _, err := io.WriteString(person, keys); err != nil {
		t.Fatal(err)
	}
}

func TestAKeyCountsAtOnceAndTheTerminalIsAsItWas(t *testing.T) {
	k, tty, person, said := terminalFor(t)
	before, err := term.GetState(int(tty.Fd()))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		keys string
		want byte
		code status
	}{{"s", 's', done}, {"\r", '\r', done}, {" ", ' ', done}, {"\x03", 0, stopped}} {
		var key byte
		pressed := make(chan error, 1)
		go func() {
			var err error
			key, err = k.key(t.Context(), "now: ")
			pressed <- err
		}()
		said.until(t, "now: ")
		press(t, person, c.keys)
		err := <-pressed
		if key != c.want || statusOf(err) != c.code {
			t.Errorf("pressed %q: %q, %v, want %q and status %d", c.keys, key, err, c.want, c.code)
		}
		after, err := term.GetState(int(tty.Fd()))
		if err != nil || *after != *before {
			t.Errorf("pressed %q: the terminal is not as it was, %v", c.keys, err)
		}
	}
	press(t, person, "1402,5\n")
	if line, err := k.line(t.Context(), "where: "); line != "1402,5" || err != nil {
		t.Errorf("a line: %q, %v", line, err)
	}
}

// TestAPersonDrivesATrialAtATerminal presses keys for two runs on a station that can't see, and a wrong one that stops it.
func TestAPersonDrivesATrialAtATerminal(t *testing.T) {
	path := filepath.Join(t.TempDir(), "steps.toml")
	const text = `
title = "Night-mail engine 30, quay section 2"
[vehicle]
name = "Night-mail engine 30"
scale = 87.1
address = 30
[section]
length_mm = 1800
[wanted]
stop_mm = 1400
within_mm = 40
steps = [12, 17]
[runs]
repeats = 1
leads = ["front"]
against = 0
seed = 7
`
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	b, err := openBook(path, "")
	if err != nil {
		t.Fatal(err)
	}
	spec, err := bench.BuiltIn("engine-30")
	if err != nil {
		t.Fatal(err)
	}
	engine := bench.New(spec.New(0))
	defer engine.Close()
	k, _, person, said := terminalFor(t)
	p := &trackside{keyboard: k, trial: b.Trial, tell: (&visit{stdout: k.out}).print, progress: func(string, int, int) {}, of: 2, now: time.Now}
	ended := make(chan error, 1)
	go func() { ended <- trial.Drive(t.Context(), onlyMain(engine), p, b.Trial, b.Runs, b.save) }()
	for _, step := range []struct{ asked, keys string }{
		{"yes when it may move: ", "yes\n"},
		{"q to leave: ", "\n"},
		{"an emergency stop: ", "x"},
		{"this run does not count", ""},
		{"q to leave: ", "\n"},
		{"an emergency stop: ", "s"},
		{"past the trigger: ", "1399\n"},
		{"not taken: ", "8,7\n"},
		{"for none: ", "\n"},
		{"saved; 1 run left", ""},
		{"q to leave: ", "\n"},
		{"an emergency stop: ", "i"},
		{"for none: ", "lights on\n"},
	} {
		said.until(t, step.asked)
		press(t, person, step.keys)
	}
	select {
	case err := <-ended:
		if err != nil {
			t.Fatal(err)
		}
	case <-time.After(10 * time.Second):
		t.Fatal("it waits for more")
	}
	runs, _, err := trial.ReadRuns(b.file, b.Trial)
	if err != nil {
		t.Fatal(err)
	}
	first, second := runs[0], runs[1]
	if !first.Made || first.Outcome != trial.Stopped || first.Stop != 1399 || first.Time != 8700*time.Millisecond ||
		!second.Made || second.Outcome != trial.Ignored || second.Note != "lights on" {
		t.Errorf("%+v\n%+v", first, second)
	}
	if err := engine.Lay(b.Trial.Section); err != nil {
		t.Errorf("the track is on: %v", err)
	}
}

func TestAKeyboardThatHasEndedIsNoAnswer(t *testing.T) {
	k := newKeyboard(strings.NewReader("yes"), io.Discard)
	if line, err := k.line(t.Context(), ""); line != "yes" || err != nil {
		t.Errorf("%q, %v", line, err)
	}
	if _, err := k.line(t.Context(), ""); !errors.Is(err, errNoInput) {
		t.Errorf("%v, want that it has ended", err)
	}
}
