package signals

import (
	"bytes"
	"errors"
	"fmt"
	"regexp"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"

	"gearwitness/signals/diag"
)

// Bounds on the text of one file. A vehicle file of three hundred signals has
// about 50 kB, 500 lines and 4000 keys. The time the YAML reader takes grows
// with the square of the number of entries: 40 s for 130,000.
const (
	maxFileBytes = 512 << 10
	maxLines     = 5000
	maxEntries   = 20000 // colons and commas
	maxNesting   = 40    // open brackets; a file needs four
	maxDashes    = 8     // "- - -" on one line; a file needs one
	maxLine      = 4000  // characters
)

// span is a stretch of a line: where a finding points.
type span struct {
	pos    diag.Pos
	length int
}

// parseYAML turns text into nodes. What the YAML reader itself should never
// see, because it would recurse or take for ever, is refused before.
//
// An entry that stands on one line and cannot be read is left out and the rest
// read, so that one slip does not hide the other mistakes; lost gets its key,
// for whatever refers to it.
func parseYAML(name string, text []byte, found *diag.List, lost map[string]bool) ast.Node {
	at := func(line, column int) diag.Pos { return diag.Pos{File: name, Line: line, Column: column} }
	text = bytes.TrimPrefix(text, []byte("\uFEFF"))
	if len(text) > maxFileBytes {
		found.Add(at(1, 1), 1, diag.Expect("at most %d bytes", maxFileBytes).Got("%d", len(text)))
		return nil
	}
	text = bytes.ReplaceAll(text, []byte("\r\n"), []byte("\n"))
	if n := bytes.Count(text, []byte("\n")); n > maxLines {
		found.Add(at(maxLines, 1), 1, diag.Expect("at most %d lines", maxLines).Got("%d", n).Hint("put a part into a file of its own under use"))
		return nil
	}
	entries := bytes.Count(text, []byte(":")) + bytes.Count(text, []byte(","))
	if entries > maxEntries {
		found.Add(at(1, 1), 1, diag.Expect("at most %d entries", maxEntries).Got("%d", entries).Hint("put a part into a file of its own under use"))
		return nil
	}
	before := len(*found)
	depth := 0
	for i, line := range strings.Split(string(text), "\n") {
		column := 0
		if utf8.RuneCountInString(line) > maxLine {
			found.Add(at(i+1, maxLine+1), 1, diag.Expect("lines of at most %d characters", maxLine))
		}
		if rest := strings.TrimLeft(line, " "); strings.Count(leading(rest), "-")+strings.Count(leading(rest), "?") > maxDashes {
			found.Add(at(i+1, len(line)-len(rest)+1), 1, diag.Expect("lists nested at most %d deep", maxDashes))
		}
		for j, r := range line {
			if len(*found) > before+100 {
				return nil
			}
			column++
			switch {
			case r == utf8.RuneError && line[j] != 0xEF:
				found.Add(at(i+1, column), 1, diag.Expect("UTF-8 text").Got("byte %02X", line[j]).Hint("save the file as UTF-8"))
			case r == '\t':
				found.Add(at(i+1, column), 1, diag.Expect("spaces").Got("a tab"))
			case r < ' ' || r == 0x7F || r == 0x85 || r == 0x2028 || r == 0x2029:
				found.Add(at(i+1, column), 1, diag.Expect("text").Got("the control character U+%04X", r))
			case r == '[' || r == '{':
				if depth++; depth == maxNesting+1 {
					found.Add(at(i+1, column), 1, diag.Expect("brackets nested at most %d deep", maxNesting))
				}
			case r == ']' || r == '}':
				depth = max(0, depth-1)
			}
		}
	}
	if len(*found) > before {
		return nil
	}
	file, err := parseQuietly(text)
	for again := 1; err != nil; again++ {
		pos, message := syntaxError(name, err)
		lines := bytes.SplitAfter(text, []byte("\n"))
		line := lines[min(pos.Line, len(lines))-1]
		if bytes.ContainsRune(line, '{') {
			found.Add(pos, 1, diag.Say("cannot be read as YAML: %s", message).Hint("look at the brackets and quotes here and just before: between { } a text with a comma, colon, brace or quote in it stands in quotes"))
		} else {
			found.Add(pos, 1, diag.Say("cannot be read as YAML: %s", message).Hint("look at the indentation, brackets and quotes here and just before"))
		}
		key := wholeEntry.FindSubmatch(line)
		if key == nil || again*entries > maxEntries {
			return nil
		}
		lost[string(key[1])] = true
		lines[pos.Line-1] = []byte("\n")
		text = bytes.Join(lines, nil)
		file, err = parseQuietly(text)
	}
	var body ast.Node
	for _, doc := range file.Docs {
		if doc.Body == nil {
			continue
		}
		if body != nil {
			found.Add(start(name, doc.Body).pos, 1, diag.Expect("one document").Got("a second one after ---"))
			return nil
		}
		body = doc.Body
	}
	if body == nil {
		found.Add(at(1, 1), 1, diag.Expect(`a vehicle file beginning with "format: 1"`).Got("nothing"))
	}
	return body
}

// wholeEntry is an entry that begins and ends on its line.
var wholeEntry = regexp.MustCompile(`^ *["']?([^"'{}:]+)["']? *: *\{.*\}\s*(?:#.*)?$`)

// syntaxError returns where the YAML reader gave up, and why.
func syntaxError(name string, err error) (diag.Pos, string) {
	var syntax *yaml.SyntaxError
	pos, message := diag.Pos{File: name, Line: 1, Column: 1}, err.Error()
	if errors.As(err, &syntax) {
		message = syntax.Message
		if syntax.Token != nil {
			pos = spanOf(name, syntax.Token).pos
		}
	}
	message, _, _ = strings.Cut(message, "\n")
	return pos, message
}

// leading returns the run of list and key marks at the start of a line.
func leading(s string) string {
	return s[:len(s)-len(strings.TrimLeft(s, "-? "))]
}

// parseQuietly calls the YAML reader and turns a panic of it, which hostile
// text has provoked in earlier versions, into an error.
func parseQuietly(text []byte) (f *ast.File, err error) {
	defer func() {
		if p := recover(); p != nil {
			f, err = nil, fmt.Errorf("the YAML reader gave up (%v)", p)
		}
	}()
	f, err = parser.ParseBytes(text, 0, parser.AllowDuplicateMapKey())
	if err == nil && f == nil {
		err = errors.New("nothing found")
	}
	return f, err
}

// spanOf returns where a token stands.
func spanOf(name string, t *token.Token) span {
	if t == nil || t.Position == nil {
		return span{diag.Pos{File: name, Line: 1, Column: 1}, 1}
	}
	length := utf8.RuneCountInString(t.Value)
	if t.Type == token.SingleQuoteType || t.Type == token.DoubleQuoteType {
		length += 2
	}
	if i := strings.IndexByte(t.Value, '\n'); i >= 0 {
		length = utf8.RuneCountInString(t.Value[:i])
	}
	return span{diag.Pos{File: name, Line: max(1, t.Position.Line), Column: max(1, t.Position.Column)}, max(1, length)}
}

// start returns where a node begins, to underline it.
func start(name string, n ast.Node) span {
	switch n := n.(type) {
	case *ast.MappingNode:
		if !n.IsFlowStyle && len(n.Values) > 0 {
			return start(name, n.Values[0].Key)
		}
	case *ast.MappingValueNode:
		return start(name, n.Key)
	case *ast.SequenceNode:
		if !n.IsFlowStyle && len(n.Values) > 0 {
			return start(name, n.Values[0])
		}
	case nil:
		return spanOf(name, nil)
	}
	return spanOf(name, n.GetToken())
}

// pairs returns the entries of a mapping; false if n is none.
func pairs(n ast.Node) ([]*ast.MappingValueNode, bool) {
	switch n := n.(type) {
	case *ast.MappingNode:
		return n.Values, true
	case *ast.MappingValueNode:
		return []*ast.MappingValueNode{n}, true
	}
	return nil, false
}

// text returns the text of a scalar as written, without quotes; plain tells
// that it had none. False if n is no scalar or stands for nothing.
func text(n ast.Node) (s string, plain, ok bool) {
	switch n := n.(type) {
	case *ast.StringNode:
		return n.Value, n.Token.Type == token.StringType, true
	case *ast.LiteralNode:
		return n.Value.Value, false, true
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		return n.GetToken().Value, true, true
	}
	return "", false, false
}

// describe says what a node is, for a finding.
func describe(n ast.Node) string {
	switch n := n.(type) {
	case nil, *ast.NullNode:
		return "nothing"
	case *ast.MappingNode, *ast.MappingValueNode:
		return "a mapping"
	case *ast.SequenceNode:
		return "a list"
	case *ast.AnchorNode, *ast.AliasNode, *ast.MergeKeyNode:
		return "an anchor or alias; write it out, this format has none"
	case *ast.TagNode:
		return "a YAML tag; this format has none"
	default:
		s, plain, _ := text(n)
		if len(s) > 40 {
			s = strings.ToValidUTF8(s[:40], "") + "..."
		}
		if !plain {
			return fmt.Sprintf("the text %q", s)
		}
		return fmt.Sprintf("%q", s)
	}
}
