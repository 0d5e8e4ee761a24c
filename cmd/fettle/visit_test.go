package main

import (
	"context"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

// findJournal is the script command `journal VARIABLE NAME`: it sets the variable to the one journal here whose name begins with NAME
// and a time. `! journal NAME` wants none.
func findJournal(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) == 0 || !neg && len(args) != 2 {
		ts.Fatalf("usage: journal VARIABLE NAME, or ! journal NAME")
	}
	found, err := filepath.Glob(ts.MkAbs(args[len(args)-1] + "-[0-9]*.journal"))
	switch {
	case err != nil:
		ts.Fatalf("journal: %v", err)
	case neg && len(found) > 0:
		ts.Fatalf("found %v, want no journal", found)
	case !neg && len(found) != 1:
		ts.Fatalf("found %v, want one journal", found)
	case !neg:
		ts.Setenv(args[0], filepath.Base(found[0]))
	}
}

// makeSparse is the script command `sparse FILE BYTES`: a file of so many zero bytes, which takes no room on disk.
func makeSparse(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: sparse FILE BYTES")
	}
	size, err := strconv.ParseInt(args[1], 10, 64)
	ts.Check(err)
	path := ts.MkAbs(args[0])
	ts.Check(os.WriteFile(path, nil, 0o600))
	ts.Check(os.Truncate(path, size))
}

// makeLatin1 is the script command `latin1 FILE`: a register set that is not UTF-8.
func makeLatin1(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: latin1 FILE")
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte("title = \"\xfcber\"\n[registers]\n3 = 1\n"), 0o600))
}

func TestAShellTakesAWordAsItIs(t *testing.T) {
	for word, want := range map[string]string{
		"bench:tram-3+shunter-7":         "bench:tram-3+shunter-7",
		"tram-3-20261125-074103.journal": "tram-3-20261125-074103.journal",
		"my set.journal":                 "'my set.journal'",
		"it's":                           `'it'\''s'`,
		"$(x)":                           "'$(x)'",
		"":                               "''",
	} {
		if got := shellWord(word); got != want {
			t.Errorf("%q: %s, want %s", word, got, want)
		}
	}
}

func TestAResetIsDoneOnlyAfterAYes(t *testing.T) {
	for answer, want := range map[string]status{"yes\n": done, " yes \n": done, "y\n": badUse, "no\n": badUse, "": badUse, "\n": badUse} {
		var screen strings.Builder
		if got := statusOf(confirm(t.Context(), strings.NewReader(answer), &screen, resetQuestion)); got != want {
			t.Errorf("%q: status %d, want %d", answer, got, want)
		}
		if !strings.HasPrefix(screen.String(), "Reset this decoder to its factory values?") {
			t.Errorf("asked %q", screen.String())
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	silent, _ := io.Pipe()
	if got := statusOf(confirm(ctx, silent, io.Discard, resetQuestion)); got != stopped {
		t.Errorf("Ctrl-C at the question: status %d, want %d", got, stopped)
	}
}
