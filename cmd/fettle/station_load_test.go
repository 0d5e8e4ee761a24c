//go:build linux

package main

import (
	"github.com/rogpeppe/go-internal/testscript"

	"fettle/station/board/firmware"
	"fettle/station/board/loader/loadertest"
)

func init() { commands["board"] = startBoard }

// startBoard is the script command `board VARIABLE KIND`: it sets the variable to the port of a board that does not exist.
func startBoard(ts *testscript.TestScript, neg bool, args []string) {
	good := loadertest.Good(firmware.Version)
	loses, other := good, good
	loses.LosesPage = 2
	other.Signature = [3]byte{0x1E, 0x94, 0x06}
	kinds := map[string]loadertest.Fake{"good": good, "loses-a-page": loses, "other-chip": other}
	if neg || len(args) != 2 {
		ts.Fatalf("usage: board VARIABLE KIND")
	}
	fake, ok := kinds[args[1]]
	if !ok {
		ts.Fatalf("board: no kind %q", args[1])
	}
	b, err := loadertest.Start(fake)
	ts.Check(err)
	ts.Defer(func() { ts.Check(b.Close()) })
	ts.Setenv(args[0], b.Name)
}
