// Command fettle is a bench for DCC decoders: it says what a decoder is and holds, puts settings on it and proves them.
//
// Every verb has a file of its own that reads arguments, asks the packages below, and prints; start with root.go.
package main

import "os"

func main() { os.Exit(int(run(stoppable(), os.Args[1:], os.Stdout, os.Stderr))) }
