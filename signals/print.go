package signals

import (
	"bytes"
	"fmt"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Text prints the file as it was resolved: what other files contributed stands
// in it, so that it needs no other file and reads the same for ever. Parsing
// the text gives the same File, but for places and the list of files used.
func (f *File) Text() []byte {
	c := *f
	c.Use = nil
	var b bytes.Buffer
	printBlock(&b, reflect.ValueOf(&c).Elem(), 0)
	return b.Bytes()
}

// printed is one key with its value.
type printed struct {
	key   string
	value reflect.Value
	form  string // unit of a figure, or "hex"
}

// entriesOf returns the keys of a struct or Named that are worth writing.
func entriesOf(v reflect.Value) []printed {
	var list []printed
	if nm, ok := v.Addr().Interface().(named); ok {
		nm.entries(func(name string, e reflect.Value) { list = append(list, printed{key: name, value: e.Elem()}) })
		return list
	}
	for _, f := range fieldsOf(v.Type()) {
		fv := v.Field(f.index)
		switch {
		case f.key == "format":
		case f.key == "resolution" && fv.Float() == 1:
			continue
		case f.need:
		case fv.IsZero(), fv.Kind() == reflect.Slice && fv.Len() == 0:
			continue
		}
		form := string(f.unit)
		if f.hex {
			form = "hex"
		}
		list = append(list, printed{f.key, fv, form})
	}
	return list
}

// isMapping tells whether a value prints as keys and values of this package's
// own types.
func isMapping(v reflect.Value) bool {
	if _, ok := scalars[v.Type()]; ok || v.Type() == statesType || v.Type() == rangeType {
		return false
	}
	_, isNamed := v.Addr().Interface().(named)
	return isNamed || v.Kind() == reflect.Struct
}

// printBlock writes a mapping, one key a line; mappings that fit a line and
// hold no further names stand in braces.
func printBlock(b *bytes.Buffer, v reflect.Value, depth int) {
	for _, e := range entriesOf(v) {
		val := e.value
		for val.Kind() == reflect.Pointer {
			val = val.Elem()
		}
		indent := strings.Repeat("  ", depth)
		fmt.Fprintf(b, "%s%s:", indent, quote(e.key))
		if isMapping(val) && !flat(val) {
			if len(entriesOf(val)) == 0 {
				b.WriteString(" {}\n")
				continue
			}
			b.WriteByte('\n')
			printBlock(b, val, depth+1)
			continue
		}
		fmt.Fprintf(b, " %s\n", inline(val, e.form))
	}
}

// flat tells whether a mapping stands on one line: a list of names never does,
// what one of them stands for does when it holds no further names.
func flat(v reflect.Value) bool {
	if nm, ok := v.Addr().Interface().(named); ok {
		return v.Len() == 0 || nm.elem().Kind() != reflect.Struct || nm.elem() == rangeType
	}
	for _, e := range entriesOf(v) {
		val := e.value
		for val.Kind() == reflect.Pointer {
			val = val.Elem()
		}
		if isMapping(val) && !flat(val) {
			return false
		}
	}
	return utf8.RuneCountInString(inline(v, "")) < maxLine/2
}

// inline writes a value on one line.
func inline(v reflect.Value, form string) string {
	for v.Kind() == reflect.Pointer {
		v = v.Elem()
	}
	if s, ok := scalars[v.Type()]; ok {
		text := s.write(v.Interface())
		if figures.MatchString(text) {
			return text
		}
		return quote(text)
	}
	switch x := v.Interface().(type) {
	case States:
		var parts []string
		for _, e := range x {
			parts = append(parts, fmt.Sprintf("%d: %s", e.V, quote(e.Name)))
		}
		return "{" + strings.Join(parts, ", ") + "}"
	case Points:
		var parts []string
		for _, p := range x {
			parts = append(parts, writeFloat(p.X)+": "+writeFloat(p.Y))
		}
		return "{" + strings.Join(parts, ", ") + "}"
	case Range:
		return fmt.Sprintf("[%s, %s]", writeFloat(x.Low), writeFloat(x.High))
	case []Condition:
		var parts []string
		for _, c := range x {
			parts = append(parts, quote(c.Signal)+": "+inline(reflect.ValueOf(c.Values), ""))
		}
		return "{" + strings.Join(parts, ", ") + "}"
	case float64:
		if form != "" {
			return writeFloat(x) + " " + form
		}
		return writeFloat(x)
	case string:
		return quote(x)
	}
	switch v.Kind() {
	case reflect.Bool, reflect.Int:
		return fmt.Sprint(v.Interface())
	case reflect.Uint8, reflect.Uint32:
		if form == "hex" {
			return fmt.Sprintf("0x%02X", v.Uint())
		}
		return strconv.FormatUint(v.Uint(), 10)
	case reflect.Slice:
		if !isNamed(v) {
			var parts []string
			for i := range v.Len() {
				parts = append(parts, inline(v.Index(i), form))
			}
			if len(parts) == 1 {
				return parts[0]
			}
			return "[" + strings.Join(parts, ", ") + "]"
		}
	}
	var parts []string
	for _, e := range entriesOf(v) {
		parts = append(parts, quote(e.key)+": "+inline(e.value, e.form))
	}
	return "{" + strings.Join(parts, ", ") + "}"
}

func isNamed(v reflect.Value) bool {
	if !v.CanAddr() {
		return false
	}
	_, ok := v.Addr().Interface().(named)
	return ok
}

// bare matches texts that need no quotes anywhere: no figure, no word that YAML
// reads as something else.
var bare = regexp.MustCompile(`^[\pL°Ω][\pL\pN_/·°²³Ω]*([ .+-]?[\pL\pN_/·°²³Ω()]+)*$`)

var figures = regexp.MustCompile(`^-?[0-9]+(\.[0-9]+)?( ?[\pL/]+)?$|^-?[0-9]+\.\.-?[0-9]+$|^0x[0-9A-F]+$`)

// quote writes a text so that YAML gives it back as it is.
func quote(s string) string {
	switch strings.ToLower(s) {
	case "true", "false", "null", "yes", "no", "on", "off", "y", "n", "nan", "inf":
		return double(s)
	}
	if bare.MatchString(s) {
		return s
	}
	return double(s)
}

// double writes a text in double quotes, with escapes for what is not printed.
func double(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case r == '\n':
			b.WriteString(`\n`)
		case r < ' ' || 0x7F <= r && r < 0xA0 || r == 0x2028 || r == 0x2029 || r == 0xFEFF:
			fmt.Fprintf(&b, `\u%04X`, r)
		default:
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
	return b.String()
}
