// Command header writes the firmware's frames.h from the source of package link and its table, so that the C and the Go can't
// differ in what a frame is: every constant, every payload as a packed struct, and the lengths that a payload may have.
//
//	header frames.go ../firmware/portable/frames.h
//
// `go generate ./station/board/link` runs it.
package main

import (
	"bytes"
	"fmt"
	"go/ast"
	"go/constant"
	"go/parser"
	"go/token"
	"go/types"
	"os"
	"strings"
	"unicode"

	"fettle/station/board/link"
)

func main() {
	if err := run(os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "header:", err)
		os.Exit(1)
	}
}

func run(args []string) error {
	if len(args) != 2 {
		return fmt.Errorf("want the Go source to read and the header to write, found %d names", len(args))
	}
	source, err := os.ReadFile(args[0])
	if err != nil {
		return err
	}
	header, err := translate(args[0], source)
	if err != nil {
		return err
	}
	return os.WriteFile(args[1], header, 0o644)
}

// translate gives the header for the source of package link, which imports nothing.
func translate(name string, source []byte) ([]byte, error) {
	fset := token.NewFileSet()
	file, err := parser.ParseFile(fset, name, source, parser.ParseComments)
	if err != nil {
		return nil, err
	}
	pkg, err := new(types.Config).Check(name, fset, []*ast.File{file}, nil)
	if err != nil {
		return nil, err
	}
	var out bytes.Buffer
	out.WriteString("/* Made from station/board/link/frames.go by `go generate ./station/board/link`: change it there. */\n" +
		"#ifndef FRAMES_H\n#define FRAMES_H\n\n#include <stdint.h>\n")
	for _, decl := range file.Decls {
		general, ok := decl.(*ast.GenDecl)
		if !ok {
			continue
		}
		switch general.Tok {
		case token.CONST:
			err = constants(&out, pkg, general)
		case token.TYPE:
			err = structs(&out, pkg, general)
		}
		if err != nil {
			return nil, err
		}
	}
	out.WriteString("\n/* The lengths that a payload may have: { type, least, most }. */\n#define FRAME_LENGTHS")
	for _, row := range link.Table {
		for _, t := range []link.Type{row.Type, row.Type | link.AnswerBit} {
			if least, most, ok := t.Lengths(); ok {
				fmt.Fprintf(&out, " \\\n\t{ 0x%02X, %d, %d }, /* %v */", uint8(t), least, most, t)
			}
		}
	}
	out.WriteString("\n")
	out.WriteString("\n#endif\n")
	return out.Bytes(), nil
}

// constants writes a group of constants. Those of a Type are FRAME_..., those of no type LINK_..., the others have the name of
// their kind in their own.
func constants(out *bytes.Buffer, pkg *types.Package, group *ast.GenDecl) error {
	out.WriteString("\n")
	for _, spec := range group.Specs {
		spec := spec.(*ast.ValueSpec)
		for _, name := range spec.Names {
			value := pkg.Scope().Lookup(name.Name).(*types.Const)
			var define, digits string
			switch kind := value.Type().String(); {
			case strings.HasSuffix(kind, ".Type"):
				define, digits = "FRAME_"+upper(name.Name), hex(value)
			case kind == "untyped int":
				define, digits = "LINK_"+upper(name.Name), value.Val().ExactString()
			case kind == "uint8":
				define, digits = upper(name.Name), value.Val().ExactString()
			default:
				return fmt.Errorf("constant %s is %s: want a Type, uint8 or no type", name.Name, kind)
			}
			fmt.Fprintf(out, "#define %s %s%s\n", define, digits, remark(spec.Comment))
		}
	}
	return nil
}

// keywords are those of C that a field could be named by.
var keywords = map[string]bool{"auto": true, "break": true, "case": true, "char": true, "continue": true, "default": true, "double": true,
	"float": true, "int": true, "long": true, "register": true, "restrict": true, "return": true, "short": true, "signed": true,
	"static": true, "switch": true, "union": true, "unsigned": true, "void": true, "volatile": true}

// structs writes each struct of a group of types; other types have no place in C.
func structs(out *bytes.Buffer, pkg *types.Package, group *ast.GenDecl) error {
	for _, spec := range group.Specs {
		spec := spec.(*ast.TypeSpec)
		fields, ok := spec.Type.(*ast.StructType)
		if !ok {
			continue
		}
		fmt.Fprintf(out, "\nstruct %s {\n", lower(spec.Name.Name))
		size := 0
		for _, field := range fields.Fields.List {
			kind := types.ExprString(field.Type)
			bytes, ok := map[string]int{"uint8": 1, "uint16": 2, "uint32": 4}[kind]
			if !ok {
				return fmt.Errorf("%s has a field of %s: want uint8, uint16 or uint32", spec.Name.Name, kind)
			}
			for _, name := range field.Names {
				if keywords[lower(name.Name)] {
					return fmt.Errorf("%s has a field %s: that is a word of C, want another name", spec.Name.Name, name.Name)
				}
				fmt.Fprintf(out, "\t%s_t %s;%s\n", kind, lower(name.Name), remark(field.Comment))
				size += bytes
			}
		}
		fmt.Fprintf(out, "} __attribute__((packed));\n_Static_assert(sizeof(struct %s) == %d, \"packed\");\n", lower(spec.Name.Name), size)
	}
	return nil
}

func hex(c *types.Const) string {
	n, _ := constant.Uint64Val(c.Val())
	return fmt.Sprintf("0x%02X", n)
}

// remark is the comment at the end of a line, as C has it.
func remark(comment *ast.CommentGroup) string {
	if comment == nil {
		return ""
	}
	return " /* " + strings.TrimSpace(comment.Text()) + " */"
}

// lower turns LimitMA into limit_ma.
func lower(name string) string {
	var b strings.Builder
	small := false
	for _, r := range name {
		if unicode.IsUpper(r) && small {
			b.WriteByte('_')
		}
		small = !unicode.IsUpper(r)
		b.WriteRune(unicode.ToLower(r))
	}
	return b.String()
}

func upper(name string) string { return strings.ToUpper(lower(name)) }
