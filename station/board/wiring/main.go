// Command wiring draws how the open board is wired, as the SVG picture that BUILDING.md beside it shows. The picture is made from the
// lines of circuit.go; drawing.go has the signs of which it is made.
//
//	wiring wiring.svg
//
// `go generate ./station/board/wiring` runs it. The tests hold that the picture kept is the one made here, that no text stands on a wire,
// and that picture, guide and firmware name the same pins and figures.
package main

import (
	"fmt"
	"os"
)

//go:generate go run . ../wiring.svg

func main() {
	if len(os.Args) != 2 {
		fmt.Fprintf(os.Stderr, "wiring: want the name of the file to write, found %d names\n", len(os.Args)-1)
		os.Exit(2)
	}
	if err := os.WriteFile(os.Args[1], circuit().svg(), 0o644); err != nil {
		fmt.Fprintln(os.Stderr, "wiring: writing the drawing:", err)
		os.Exit(1)
	}
}
