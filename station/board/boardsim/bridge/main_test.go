package main

import (
	"bufio"
	"context"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
)

func TestTheRealCommandFindsTheBoardAtThePseudoTerminalAndAppliesASet(t *testing.T) {
	folder := t.TempDir()
	t.Setenv("XDG_STATE_HOME", t.TempDir())
	if said, err := exec.Command("go", "build", "-o", folder, "fettle/cmd/fettle").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, said)
	}
	set := "title = \"Harbour tram 3, as on the quay line\"\n[decoder]\nmaker = 13\nversion = 21\n[registers]\n3 = 12\n4 = 9\n"
	if err := os.WriteFile(filepath.Join(folder, "quay.toml"), []byte(set), 0o600); err != nil {
		t.Fatal(err)
	}
	fettle := func(args ...string) string {
		t.Helper()
		ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
		defer cancel()
		command := exec.CommandContext(ctx, filepath.Join(folder, "fettle"), args...)
		command.Dir = folder
		said, err := command.CombinedOutput()
		t.Logf("fettle %s\n%s", strings.Join(args, " "), said)
		if err != nil {
			t.Fatal(err)
		}
		return string(said)
	}

	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	lines, out := io.Pipe()
	ended := make(chan error, 1)
	go func() {
		err := run(ctx, "tram-3", out)
		out.CloseWithError(errors.Join(err, io.EOF))
		ended <- err
	}()
	all := bufio.NewReader(lines)
	var station string
	for station == "" {
		line, err := all.ReadString('\n')
		if err != nil {
			t.Fatal(err)
		}
		station = regexp.MustCompile(`board:\S+`).FindString(line)
	}
	go io.Copy(io.Discard, all)

	if said := fettle("identify", "--station", station); !strings.Contains(said, "version    21") || !strings.Contains(said, "open board") {
		t.Error("want version 21, at the open board")
	}
	if said := fettle("apply", "quay.toml", "--station", station); !strings.Contains(said, "2 written") {
		t.Error("want two registers to be written")
	}
	cancel()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
	if said := fettle("check", "quay.toml", "--station", "bench:tram-3"); !strings.Contains(said, "right") {
		t.Error("want the decoder on the bench to hold what was written through the board")
	}
}
