package main

import (
	"regexp"
	"strings"
	"unicode/utf8"
)

// screenWidth is how many columns a line may have.
const screenWidth = 100

// wrapped breaks lines of more than width columns between words, each further one after indent. A number stays with the word behind
// it, which may be its unit. A line that is to be copied stays whole: a label, two spaces, and a path or a command.
func wrapped(text string, width int, indent string) string {
	var out strings.Builder
	for line := range strings.Lines(text) {
		body := strings.TrimSuffix(line, "\n")
		if utf8.RuneCountInString(body) > width && !labelled.MatchString(body) {
			body = broken(body, width, indent)
		}
		out.WriteString(body)
		if strings.HasSuffix(line, "\n") {
			out.WriteByte('\n')
		}
	}
	return out.String()
}

var labelled = regexp.MustCompile(`^[a-zA-Z ]+: {2,}\S`)

// broken breaks one line where it is too long. A word that is longer than a line stays whole.
func broken(line string, width int, indent string) string {
	var out strings.Builder
	for utf8.RuneCountInString(line) > width {
		at := breakAt(line, width)
		if at < 0 {
			break
		}
		out.WriteString(strings.TrimRight(line[:at], " ") + "\n")
		line = indent + strings.TrimLeft(line[at:], " ")
	}
	return out.String() + line
}

// breakAt is the last space within width after which a line may go on below, else the first one after it; -1 where there is none.
func breakAt(line string, width int) (at int) {
	at = -1
	column := 0
	for i, c := range line {
		if c == ' ' && strings.TrimSpace(line[:i]) != "" && !number.MatchString(line[:i]) {
			if column > width && at >= 0 {
				return at
			}
			at = i
			if column > width {
				return at
			}
		}
		column++
	}
	return at
}

// number is a number at the end of a text.
var number = regexp.MustCompile(`(^|[ (])[0-9]+(\.[0-9]+)?$`)

// flowed fills the paragraphs of a text into lines of a screen. Lines that begin with a space stay as they are.
func flowed(text string) string {
	var out, paragraph []string
	end := func() {
		if paragraph != nil {
			out = append(out, wrapped(strings.Join(paragraph, " "), screenWidth, ""))
		}
		paragraph = nil
	}
	for line := range strings.SplitSeq(text, "\n") {
		if line == "" || line[0] == ' ' {
			end()
			out = append(out, line)
			continue
		}
		paragraph = append(paragraph, line)
	}
	end()
	return strings.Join(out, "\n")
}
