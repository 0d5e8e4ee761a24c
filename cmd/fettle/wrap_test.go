package main

import (
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/spf13/cobra"
)

func TestALineIsBrokenBetweenWordsAndNeverBehindANumber(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"", ""},
		{"short", "short"},
		{"a long line\n", "a long\n..line\n"},
		{"a long line", "a long\n..line"},
		{"first\n\nand another", "first\n\nand\n..another"},
		{"it takes 12 s", "it takes\n..12 s"},
		{"it took 1.5 s", "it took\n..1.5 s"},
		{"(about 12 %)", "(about\n..12 %)"},
		{"1 2 3 4 5 6 7", "1 2 3 4 5 6 7"}, // has no place to break at
		{"CV 31 is set", "CV 31 is\n..set"},
		{"two  spaces and", "two\n..spaces\n..and"},
		{"a/very/long/path there", "a/very/long/path\n..there"},
		{"  indented line", "  indented\n..line"},
		{"größer ist", "größer ist"}, // ten letters, more bytes
		{"to go on:    fettle undo my.journal", "to go on:    fettle undo my.journal"},
	} {
		if got := wrapped(c.text, 10, ".."); got != c.want {
			t.Errorf("%q: %q, want %q", c.text, got, c.want)
		}
	}
}

func TestParagraphsAreFilledAndIndentedLinesAreNot(t *testing.T) {
	word := strings.Repeat("x", 30)
	text := word + "\n" + word + "\n" + word + "\n" + word + "\n\n  as it\n  is\n\n" + word
	want := word + " " + word + " " + word + "\n" + word + "\n\n  as it\n  is\n\n" + word
	if got := flowed(text); got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

func TestTheHelpOfEveryVerbFitsOnAScreen(t *testing.T) {
	var each func(cmd *cobra.Command)
	lines := 0
	each = func(cmd *cobra.Command) {
		for line := range strings.Lines(help(cmd)) {
			lines++
			if n := utf8.RuneCountInString(strings.TrimSuffix(line, "\n")); n > screenWidth {
				t.Errorf("%s --help: %d columns: %s", cmd.CommandPath(), n, line)
			}
		}
		for _, verb := range cmd.Commands() {
			each(verb)
		}
	}
	each(newRoot())
	if lines < 500 {
		t.Errorf("%d lines looked at, want those of all verbs", lines)
	}
}
