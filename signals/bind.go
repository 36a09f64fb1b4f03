package signals

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"path"
	"reflect"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/goccy/go-yaml/ast"

	"gearwitness/signals/diag"
	"gearwitness/signals/unit"
)

// The reader walks the nodes of the text and the types of this package side by
// side. The tags of a struct's fields steer it:
//
//	key   name in the file
//	help  one line for people
//	need  "yes": the key must be there once all files are merged
//	unit  a float64 is written with a unit, converted to this one
//	name  "identifier": names of the entries can stand in formulas
//	write "hex": printed in hexadecimal
type reader struct {
	places
	open  func(name string) ([]byte, error)
	files map[string]*source
	texts map[string][]byte
	bytes int
	lost  map[string]bool // keys of entries that could not be read at all
}

// source is one file being read.
type source struct {
	name string
	// uses are the files it uses, directly or not: those it may amend.
	uses map[string]bool
	open bool // still being read: to use it now would be a circle
}

// Bounds on libraries.
const (
	maxFiles = 32
	maxBytes = 4 << 20
	maxText  = 4000 // characters of one text
	maxName  = 80
)

// read reads one file and those it uses into f; false when the text could not
// be taken apart at all, so that there is nothing to validate.
func (r *reader) read(name string, textBytes []byte, f *File) bool {
	src := &source{name: name, uses: make(map[string]bool), open: true}
	r.files[name], r.texts[name] = src, textBytes
	defer func() { src.open = false }()
	r.bytes += len(textBytes)
	node := parseYAML(name, textBytes, &r.found, r.lost)
	if node == nil {
		return false
	}
	list, ok := pairs(node)
	if !ok {
		r.fail(start(name, node), `expected a vehicle file beginning with "format: 1", found %s`, describe(node))
		return false
	}
	// The format comes first: a newer file gets one sentence, not fifty.
	for _, p := range list {
		if k, _, _ := text(p.Key); k == "format" {
			s, _, _ := text(p.Value)
			if v, err := readInt(s); err == nil && v > Format {
				r.fail(start(name, p.Value), "written in format %d, this program reads format %d; use a newer program", v, Format)
				return false
			}
		}
	}
	// Then the files it uses, so that this one can amend them.
	r.useAll(src, list, f)
	for _, p := range list {
		if k, _, _ := text(p.Key); k != "buses" {
			continue
		}
		buses, _ := pairs(p.Value)
		for _, b := range buses {
			bus, _, _ := text(b.Key)
			frames, requests := len(f.Frames), len(f.Requests)
			keys, _ := pairs(b.Value)
			for ref, where := range r.useAll(src, keys, f) {
				r.fail(where, "%q is used already; what it defines can be on one bus only", ref)
			}
			for i := range f.Frames[frames:] {
				e := &f.Frames[frames+i].V
				e.Bus = cmp.Or(e.Bus, bus)
			}
			for i := range f.Requests[requests:] {
				e := &f.Requests[requests+i].V
				e.Bus = cmp.Or(e.Bus, bus)
			}
		}
	}
	f.Use = nil
	r.bind(src, node, reflect.ValueOf(f).Elem(), "", fieldInfo{})
	for i := range f.Buses {
		f.Buses[i].V.Use = nil // has had its effect
	}
	if at, ok := r.spans[sub("", "format")]; !ok || at.pos.File != name {
		r.fail(start(name, node), `missing key "format"; expected "format: %d" in every file`, Format)
	} else if f.Format < 1 && !r.bad[sub("", "format")] {
		r.fail(r.spans[sub("", "format")], "format: expected %d, found %d", Format, f.Format)
	}
	return true
}

// useAll reads the files that the key `use` among keys names, and returns those
// that had been read before.
func (r *reader) useAll(src *source, keys []*ast.MappingValueNode, f *File) map[string]span {
	before := make(map[string]span)
	for _, p := range keys {
		if k, _, _ := text(p.Key); k != "use" {
			continue
		}
		items := []ast.Node{p.Value}
		if seq, ok := p.Value.(*ast.SequenceNode); ok {
			items = seq.Values
		}
		for _, item := range items {
			s, _, ok := text(item)
			if where := start(src.name, item); ok && r.use(src, s, where, f) {
				before[s] = where
			}
		}
	}
	return before
}

// use reads a library or another file named in src, and tells whether that had
// been done before.
func (r *reader) use(src *source, ref string, where span, f *File) (before bool) {
	var name string
	var content []byte
	var err error
	library := !strings.HasSuffix(ref, ".yaml") && !strings.HasSuffix(ref, ".yml")
	switch {
	case library:
		name = libraryName(ref)
		if content, err = builtin(ref); err != nil {
			r.fail(where, "%v", err)
			return false
		}
	case strings.HasPrefix(src.name, libraryRoot):
		r.fail(where, "a built-in library uses other built-in libraries only, found %q", ref)
		return false
	default:
		name = path.Join(path.Dir(src.name), ref)
		if path.IsAbs(ref) {
			name = path.Clean(ref)
		}
	}
	src.uses[name] = true
	if old, ok := r.files[name]; ok {
		if old.open {
			r.fail(where, "%q uses this file in turn; take one of the two out", ref)
			return false
		}
		maps.Copy(src.uses, old.uses)
		return true
	}
	if len(r.files) >= maxFiles || r.bytes > maxBytes {
		r.fail(where, "expected at most %d files of %d bytes together", maxFiles, maxBytes)
		return false
	}
	if !library {
		if r.open == nil {
			r.fail(where, "%q cannot be opened from here; expected built-in libraries only: %s", ref, strings.Join(Libraries(), ", "))
			return false
		}
		if content, err = r.open(name); err != nil {
			r.fail(where, "%q cannot be read: %v", ref, err)
			return false
		}
	}
	r.read(name, content, f)
	maps.Copy(src.uses, r.files[name].uses)
	return false
}

// fieldInfo is one field of a struct of the format.
type fieldInfo struct {
	key, help, name string
	unit            unit.Unit
	need, hex       bool
	index           int
	typ             reflect.Type
}

// fieldsOf returns the fields of a struct type that the format has.
func fieldsOf(t reflect.Type) []fieldInfo {
	var list []fieldInfo
	for i := range t.NumField() {
		f := t.Field(i)
		if key := f.Tag.Get("key"); key != "" {
			list = append(list, fieldInfo{key: key, help: f.Tag.Get("help"), name: f.Tag.Get("name"),
				unit: unit.Unit(f.Tag.Get("unit")), need: f.Tag.Get("need") == "yes", hex: f.Tag.Get("write") == "hex", index: i, typ: f.Type})
		}
	}
	return list
}

func keysOf(fields []fieldInfo) []string {
	var keys []string
	for _, f := range fields {
		keys = append(keys, f.key)
	}
	return keys
}

// named is what every Named gives the reader and the printer.
type named interface {
	// slot returns a pointer to the value called name, made if there was none,
	// and where it was first defined, nil if it was not.
	slot(name string, pos diag.Pos) (v reflect.Value, old *diag.Pos)
	// entries calls visit with each name and pointer to its value.
	entries(visit func(name string, v reflect.Value))
	elem() reflect.Type
}

func (n *Named[T]) slot(name string, pos diag.Pos) (reflect.Value, *diag.Pos) {
	if i := n.Index(name); i >= 0 {
		return reflect.ValueOf(&(*n)[i].V), &(*n)[i].Pos
	}
	*n = append(*n, Entry[T]{Name: name, Pos: pos})
	return reflect.ValueOf(&(*n)[len(*n)-1].V), nil
}

func (n *Named[T]) entries(visit func(string, reflect.Value)) {
	for i := range *n {
		visit((*n)[i].Name, reflect.ValueOf(&(*n)[i].V))
	}
}

func (n *Named[T]) elem() reflect.Type { return reflect.TypeFor[T]() }

var (
	statesType     = reflect.TypeFor[States]()
	conditionsType = reflect.TypeFor[[]Condition]()
	rangeType      = reflect.TypeFor[Range]()
	pointsType     = reflect.TypeFor[Points]()
)

// bind reads node n into v, which stands at path at. It reports what it cannot
// read and leaves v as it was there.
func (r *reader) bind(src *source, n ast.Node, v reflect.Value, at string, f fieldInfo) {
	where := start(src.name, n)
	r.spans[at] = where
	delete(r.bad, at)
	expect := func(what string) { r.failAt(at, where, "%sexpected %s, found %s", label(f.key), what, describe(n)) }

	switch v.Type() {
	case statesType:
		r.bindStates(src, n, v.Addr().Interface().(*States), at)
		return
	case conditionsType:
		r.bindConditions(src, n, v.Addr().Interface().(*[]Condition), at)
		return
	case pointsType:
		r.bindPoints(src, n, v.Addr().Interface().(*Points), at)
		return
	case rangeType:
		r.bindRange(src, n, v.Addr().Interface().(*Range), at, at1(at))
		return
	}
	if sc, ok := scalars[v.Type()]; ok {
		s, _, ok := text(n)
		if !ok {
			expect("one word or figure")
			return
		}
		value, err := sc.read(s)
		if err != nil {
			msg := err.Error()
			if !strings.HasPrefix(msg, "unknown") {
				msg = label(f.key) + msg
			}
			r.failAt(at, where, "%s", msg)
			return
		}
		v.Set(reflect.ValueOf(value))
		return
	}
	if nm, ok := v.Addr().Interface().(named); ok {
		r.bindNamed(src, n, nm, at, f)
		return
	}
	switch v.Kind() {
	case reflect.Pointer:
		p := v
		if p.IsNil() {
			p = reflect.New(v.Type().Elem())
		}
		r.bind(src, n, p.Elem(), at, f)
		if !r.bad[at] {
			v.Set(p)
		}
	case reflect.Struct:
		r.bindStruct(src, n, v, at)
	case reflect.Slice:
		items := []ast.Node{n}
		if seq, ok := n.(*ast.SequenceNode); ok {
			items = seq.Values
		}
		list := reflect.MakeSlice(v.Type(), len(items), len(items))
		for i, item := range items {
			r.bind(src, item, list.Index(i), sub(at, fmt.Sprint(i)), f)
		}
		r.spans[at] = where
		v.Set(list)
	case reflect.String:
		s, _, ok := text(n)
		if !ok {
			expect("a text")
			return
		}
		if utf8.RuneCountInString(s) > maxText {
			r.failAt(at, where, "%sexpected a text of at most %d characters", label(f.key), maxText)
			return
		}
		v.SetString(strings.TrimRight(s, "\n"))
	case reflect.Bool:
		b, ok := n.(*ast.BoolNode)
		if !ok {
			expect("true or false")
			return
		}
		v.SetBool(b.Value)
	case reflect.Float64:
		s, plain, ok := text(n)
		switch {
		case !ok:
			expect("a number")
		case f.unit != "":
			value, err := readQuantity(s, f.unit)
			if err != nil {
				r.failAt(at, where, "%s%v", label(f.key), err)
				return
			}
			v.SetFloat(value)
		default:
			value, err := readFloat(s)
			if err != nil || !plain {
				expect("a number")
				return
			}
			v.SetFloat(value)
		}
	case reflect.Int, reflect.Uint8, reflect.Uint32:
		s, plain, ok := text(n)
		value, err := readInt(s)
		low, high := int64(math.MinInt32), int64(math.MaxInt32)
		switch v.Kind() {
		case reflect.Uint8:
			low, high = 0, math.MaxUint8
		case reflect.Uint32:
			low, high = 0, math.MaxUint32
		}
		switch {
		case !ok || !plain || err != nil:
			expect("a whole number")
		case value < low || value > high:
			r.failAt(at, where, "%sexpected a whole number from %d to %d, found %s", label(f.key), low, high, s)
		case v.CanUint():
			v.SetUint(uint64(value))
		default:
			v.SetInt(value)
		}
	default:
		panic(fmt.Sprintf("signals: no way to read a %v", v.Type()))
	}
}

func label(key string) string {
	if key == "" {
		return ""
	}
	return key + ": "
}

// readQuantity reads "30 rpm" into a unit.
func readQuantity(s string, to unit.Unit) (float64, error) {
	v, symbol, err := figure(s)
	if err != nil || symbol == "" {
		return 0, fmt.Errorf("expected a figure with its unit such as 30 %s, found %q", to, s)
	}
	from, err := unit.Parse(symbol)
	if err != nil {
		return 0, err
	}
	if v, err = unit.Convert(v, from, to); err != nil {
		return 0, fmt.Errorf("expected a figure in %s, found %q: %v", to, s, err)
	}
	return v, nil
}

// ReadFigure reads what somebody has measured, such as "2.1 bar", into a unit; a
// figure without unit counts as being in it.
func ReadFigure(s string, to unit.Unit) (float64, error) {
	v, symbol, err := figure(s)
	want := strings.TrimRight("a figure such as 5 "+string(to), " ")
	if err == nil && strings.HasPrefix(symbol, ",") {
		return 0, fmt.Errorf("expected %s, found %q; the decimal sign is a point", want, s)
	}
	if err != nil {
		return 0, fmt.Errorf("expected %s, found %q", want, s)
	}
	if symbol == "" {
		return v, nil
	}
	from, err := unit.Parse(symbol)
	if err != nil {
		return 0, err
	}
	converted, err := unit.Convert(v, from, to)
	if err != nil {
		return 0, fmt.Errorf("expected %s, found %q: %w", want, s, err)
	}
	return converted, nil
}

// keys walks the entries of a mapping, reporting keys that are none or come
// twice. visit gets the text of each new key.
func (r *reader) keys(src *source, n ast.Node, at string, what string, visit func(key string, where span, value ast.Node)) {
	list, ok := pairs(n)
	if !ok {
		r.failAt(at, start(src.name, n), "expected %s, found %s", what, describe(n))
		return
	}
	seen := make(map[string]span)
	for _, p := range list {
		where := start(src.name, p.Key)
		key, _, ok := text(p.Key)
		if !ok {
			r.fail(where, "expected a key, found %s", describe(p.Key))
			continue
		}
		if first, ok := seen[key]; ok {
			r.found = append(r.found, diag.Finding{Pos: where.pos, Length: where.length,
				Text: fmt.Sprintf("key %q stands here a second time; keep one of the two", key), Also: &first.pos})
			continue
		}
		seen[key] = where
		visit(key, where, p.Value)
	}
}

func (r *reader) bindStruct(src *source, n ast.Node, v reflect.Value, at string) {
	fields := fieldsOf(v.Type())
	r.keys(src, n, at, "keys such as "+strings.Join(keysOf(fields)[:min(3, len(fields))], ", "), func(key string, where span, value ast.Node) {
		i := slices.IndexFunc(fields, func(f fieldInfo) bool { return f.key == key })
		if i < 0 {
			keys := keysOf(fields)
			if m, ok := n.(*ast.MappingNode); ok && m.IsFlowStyle && value.Type() == ast.NullType {
				r.fail(where, "unknown key %q without a value; a text with a comma in it needs quotes between braces", key)
				return
			}
			hint := diag.Suggest(key, keys)
			if hint == "" {
				slices.Sort(keys)
				hint = "; " + oneOf(keys)
			}
			r.fail(where, "unknown key %q%s", key, hint)
			return
		}
		f := fields[i]
		r.bind(src, value, v.Field(f.index), sub(at, key), f)
	})
}

func (r *reader) bindNamed(src *source, n ast.Node, nm named, at string, f fieldInfo) {
	r.keys(src, n, at, "names, each with what it stands for", func(name string, where span, value ast.Node) {
		if msg := badName(name, f.name == "identifier"); msg != "" {
			r.fail(where, "%s", msg)
			return
		}
		v, old := nm.slot(name, where.pos)
		if old != nil && !src.uses[old.File] {
			r.found = append(r.found, diag.Finding{Pos: where.pos, Length: where.length,
				Text: fmt.Sprintf("%q is defined twice, by files that do not use each other; rename one", name), Also: old})
			return
		}
		r.bind(src, value, v.Elem(), sub(at, name), fieldInfo{key: ""})
	})
}

// reserved words cannot name a signal: they mean something in formulas.
var reserved = []string{"and", "or", "not", "true", "false", "nil", "in", "let", "if", "else", "matches", "contains", "startsWith", "endsWith"}

// badName returns what is wrong with a name, or "".
func badName(name string, identifier bool) string {
	switch {
	case name == "":
		return "expected a name, found none"
	case utf8.RuneCountInString(name) > maxName:
		return fmt.Sprintf("expected a name of at most %d characters", maxName)
	case strings.IndexFunc(name, func(r rune) bool { return !unicode.IsPrint(r) }) >= 0:
		return fmt.Sprintf("expected a name of printable characters, found %q", name)
	case strings.TrimSpace(name) != name:
		return fmt.Sprintf("expected a name without blanks at its ends, found %q", name)
	case !identifier:
		return ""
	case slices.Contains(reserved, name):
		return fmt.Sprintf("%q means something in formulas and cannot be a name", name)
	}
	for i, r := range name {
		if !('a' <= r && r <= 'z' || 'A' <= r && r <= 'Z' || r == '_' || i > 0 && '0' <= r && r <= '9') {
			return fmt.Sprintf("expected a name of letters a to z, digits and _, beginning with a letter, found %q", name)
		}
	}
	return ""
}

func (r *reader) bindStates(src *source, n ast.Node, v *States, at string) {
	var list States
	r.keys(src, n, at, "raw values and their texts such as {0: P, 1: R}", func(key string, where span, value ast.Node) {
		raw, err := readInt(key)
		if err != nil {
			r.failAt(at, where, "states: expected a raw value such as 0 or 0x1F, found %q", key)
			return
		}
		s, _, ok := text(value)
		if msg := badName(s, false); !ok || msg != "" {
			r.failAt(at, start(src.name, value), "states: expected a text, found %s", describe(value))
			return
		}
		r.spans[sub(at, key)] = where
		for _, e := range list {
			if e.Name == s || e.V == raw {
				r.found = append(r.found, diag.Finding{Pos: where.pos, Length: where.length,
					Text: fmt.Sprintf("states: raw value %d and text %q must each stand once", raw, s), Also: &e.Pos})
				r.bad[at] = true
				return
			}
		}
		list = append(list, Entry[int64]{Name: s, Pos: where.pos, V: raw})
	})
	*v = list
}

func (r *reader) bindConditions(src *source, n ast.Node, v *[]Condition, at string) {
	var list []Condition
	r.keys(src, n, at, "a signal and its raw values such as {page: 2}", func(key string, where span, value ast.Node) {
		c := Condition{Signal: key}
		r.spans[sub(at, key, "name")] = where
		r.bind(src, value, reflect.ValueOf(&c.Values).Elem(), sub(at, key), fieldInfo{key: "when"})
		for i := range c.Values {
			if r.bad[sub(at, key, fmt.Sprint(i))] {
				r.bad[at] = true
			}
		}
		list = append(list, c)
	})
	*v = list
}

func (r *reader) bindRange(src *source, n ast.Node, v *Range, at, key string) {
	where := start(src.name, n)
	seq, ok := n.(*ast.SequenceNode)
	if !ok || len(seq.Values) != 2 {
		r.failAt(at, where, "%s: expected [lowest, highest], found %s", key, describe(n))
		return
	}
	var ends [2]float64
	for i, item := range seq.Values {
		s, plain, ok := text(item)
		value, err := readFloat(s)
		if !ok || !plain || err != nil {
			r.failAt(at, start(src.name, item), "%s: expected a number, found %s", key, describe(item))
			return
		}
		ends[i] = value
	}
	if ends[0] >= ends[1] {
		r.failAt(at, where, "%s: expected the lowest value first, found [%s, %s]", key, writeFloat(ends[0]), writeFloat(ends[1]))
		return
	}
	*v = Range{ends[0], ends[1]}
}

func (r *reader) bindPoints(src *source, n ast.Node, v *Points, at string) {
	var list Points
	r.keys(src, n, at, "points such as {0.5: 0, 4.5: 2000}", func(key string, where span, value ast.Node) {
		x, err := readFloat(key)
		s, plain, ok := text(value)
		y, err2 := readFloat(s)
		switch {
		case err != nil:
			r.failAt(at, where, "expected a number, found %q", key)
		case !ok || !plain || err2 != nil:
			r.failAt(at, start(src.name, value), "expected a number, found %s", describe(value))
		case len(list) > 0 && x <= list[len(list)-1].X:
			r.failAt(at, where, "expected points in rising order, found %s after %s", writeFloat(x), writeFloat(list[len(list)-1].X))
		default:
			list = append(list, Point{x, y})
		}
	})
	if !r.bad[at] && len(list) < 2 {
		r.failAt(at, r.spans[at], "expected two points or more, found %d", len(list))
	}
	*v = list
}
