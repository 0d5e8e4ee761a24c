package report

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"io"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Made says by what, and when, a page is made.
type Made struct {
	Version string    // of the program
	When    time.Time // shown in UTC
}

// WriteHTML writes the page of one folder, or of several side by side: one file that loads nothing and needs no script. The same folders and
// the same Made always give the same bytes. Names may hold anything. Errors are those of w.
func WriteHTML(w io.Writer, folders []Folder, made Made) error {
	p, err := pageOf(folders, made)
	if err != nil {
		return err
	}
	var text bytes.Buffer
	if err := pageTemplate.ExecuteTemplate(&text, "page.tmpl", p); err != nil {
		return err
	}
	_, err = io.WriteString(w, legible(text.String()))
	return err
}

//go:embed page/*.tmpl page/page.css
var pageFiles embed.FS

// pageTemplate is the page. html/template escapes all that comes from a file; what is of type template.HTML is made here and in package chart.
var pageTemplate = template.Must(template.New("page").Funcs(template.FuncMap{
	"name": name,
	"look": func() template.CSS { return template.CSS(Look + pageStyle()) },
}).ParseFS(pageFiles, "page/*.tmpl"))

func pageStyle() string {
	style, err := pageFiles.ReadFile("page/page.css")
	if err != nil {
		panic(err) // it is in the program
	}
	return string(style)
}

// page is what the template is given.
type page struct {
	Title     string
	Made      Made
	When      string
	Simulated []string // what of it was made on the simulated bench, in words
	Beside    *beside  // nil: one folder
	Folders   []folderPage
}

func pageOf(folders []Folder, made Made) (page, error) {
	p := page{Made: made, When: when(made.When)}
	switch len(folders) {
	case 0:
		p.Title = "Nothing to report of"
	case 1:
		p.Title = folders[0].Name + ": evidence"
	default:
		names := make([]string, len(folders))
		for i, f := range folders {
			names[i] = f.Name
		}
		p.Title = strings.Join(names, ", ") + ": side by side"
	}
	ranked := Rank(folders)
	for i, f := range ranked {
		prefix := ""
		if len(ranked) > 1 {
			prefix = fmt.Sprintf("f%d-", i+1)
		}
		section, err := folderPageOf(f.Folder, prefix, len(ranked) == 1)
		if err != nil {
			return page{}, err
		}
		p.Folders = append(p.Folders, section)
	}
	if len(ranked) > 1 {
		b, err := besideOf(ranked, p.Folders)
		if err != nil {
			return page{}, err
		}
		p.Beside = &b
	}
	return p, nil
}

// name is a name or a text out of a file, as HTML that does nothing to the text around it, whichever way it is written.
func name(text string) template.HTML {
	return template.HTML("<bdi>" + template.HTMLEscapeString(shown(text)) + "</bdi>")
}

// shown is a text with what can't be seen in it written out: "[U+202E]".
func shown(text string) string { return written(text, "") }

// legible is shown, of a whole page: its line ends and tabs stay.
func legible(page string) string { return written(page, "\n\t") }

func written(text, but string) string {
	fine := func(r rune) bool {
		return r != utf8.RuneError && !unseen(r) || strings.ContainsRune(but, r) && r != utf8.RuneError
	}
	if strings.IndexFunc(text, func(r rune) bool { return !fine(r) }) < 0 {
		return text
	}
	var b strings.Builder
	for i, r := range text {
		switch {
		case fine(r):
			b.WriteRune(r)
		case r == utf8.RuneError && !strings.HasPrefix(text[i:], "\uFFFD"):
			fmt.Fprintf(&b, "[byte %02X]", text[i])
		default:
			fmt.Fprintf(&b, "[U+%04X]", r)
		}
	}
	return b.String()
}

// unseen says of a character that it does something to the text, or nothing that can be seen: controls, marks of direction, and what has no width.
// What joins letters, or keeps them apart, in words of some languages is left.
func unseen(r rune) bool {
	const joiner, nonJoiner = '\u200D', '\u200C'
	return r != joiner && r != nonJoiner && unicode.In(r, unicode.Cc, unicode.Cf, unicode.Zl, unicode.Zp)
}

// when is an instant as the page has it.
func when(t time.Time) string {
	if t.IsZero() {
		return "at a time that is not said"
	}
	return clock(t)
}

// link is a text that leads somewhere on the page.
type link struct {
	Text string
	To   string // an id; "": nowhere
}
