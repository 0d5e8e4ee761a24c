// Package sheet reads and writes decoder sheets, which say what each register of a type of decoder means, and what a probe found.
package sheet
