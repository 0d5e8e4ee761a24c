package report

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"
)

// browserThat puts a program of that name alone on the PATH, which does what the shell script says with its arguments.
func browserThat(t *testing.T, name, script string) {
	t.Helper()
	if runtime.GOOS == "windows" {
		t.Skip("the stand-in for a browser is a shell script")
	}
	bin := t.TempDir()
	if err := os.WriteFile(filepath.Join(bin, name), []byte("#!/bin/sh\nPATH=/usr/bin:/bin\n"+script), 0o755); err != nil {
		t.Fatal(err)
	}
	t.Setenv("PATH", bin)
}

// prints is a script that prints what it was told to a PDF file.
const prints = `for a in "$@"; do case "$a" in --print-to-pdf=*) echo "%PDF-1.4 $*" > "${a#--print-to-pdf=}";; esac; done`

func TestAPageIsPrintedByTheBrowserThatIsThere(t *testing.T) {
	for _, name := range []string{"chromium", "chromium-browser"} {
		browserThat(t, name, prints)
		path := folderOf(t, map[string]string{"page of 30 %.html": "<p>page"})
		pdf := filepath.Join(path, "page.pdf")
		if err := WritePDF(t.Context(), filepath.Join(path, "page of 30 %.html"), pdf); err != nil {
			t.Fatal(err)
		}
		data, err := os.ReadFile(pdf)
		if err != nil {
			t.Fatal(err)
		}
		said := string(data)
		if !strings.Contains(said, "page%20of%2030%20%25.html") || !strings.Contains(said, "--headless=new") || !strings.Contains(said, "--user-data-dir=") {
			t.Errorf("%s was told %q", name, said)
		}
		if without := strings.Contains(said, "--no-sandbox"); without != (os.Geteuid() == 0) {
			t.Errorf("%s was told to go without its sandbox: %v", name, without)
		}
	}
}

func TestWithoutABrowserItSaysWhatToInstall(t *testing.T) {
	t.Setenv("PATH", t.TempDir())
	path := folderOf(t, map[string]string{"page.html": "<p>page"})
	err := WritePDF(t.Context(), filepath.Join(path, "page.html"), filepath.Join(path, "page.pdf"))
	if !errors.Is(err, ErrNoBrowser) || !strings.Contains(err.Error(), "apt install chromium") {
		t.Errorf("found %v", err)
	}
}

func TestWhatCouldNotBePrintedLeavesWhatWasThere(t *testing.T) {
	for script, want := range map[string]string{
		"echo first >&2; echo no room >&2; exit 3": "no room",
		"exit 0": "made no PDF file",
		`for a in "$@"; do case "$a" in --print-to-pdf=*) echo "<html>" > "${a#--print-to-pdf=}";; esac; done`: "made no PDF file",
	} {
		browserThat(t, "chromium", script)
		path := folderOf(t, map[string]string{"page.html": "<p>page", "page.pdf": "older"})
		err := WritePDF(t.Context(), filepath.Join(path, "page.html"), filepath.Join(path, "page.pdf"))
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: found %v, want %q", script, err, want)
		}
		if data, _ := os.ReadFile(filepath.Join(path, "page.pdf")); !bytes.Equal(data, []byte("older")) {
			t.Errorf("%s left %q", script, data)
		}
	}
	browserThat(t, "chromium", prints)
	path := t.TempDir()
	if err := WritePDF(t.Context(), filepath.Join(path, "none.html"), filepath.Join(path, "page.pdf")); err == nil {
		t.Error("a page that is not there was printed")
	}
}

func TestPrintingEndsWithItsContext(t *testing.T) {
	browserThat(t, "chromium", "exec sleep 600")
	path := folderOf(t, map[string]string{"page.html": "<p>page"})
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	if err := WritePDF(ctx, filepath.Join(path, "page.html"), filepath.Join(path, "page.pdf")); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("found %v", err)
	}
}
