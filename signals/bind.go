package signals

import (
	"cmp"
	"errors"
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
		r.fail(start(name, node), diag.Expect(`a vehicle file beginning with "format: 1"`).Got("%s", describe(node)))
		return false
	}
	// The format comes first: a newer file gets one sentence, not fifty.
	for _, p := range list {
		if k, _, _ := text(p.Key); k == "format" {
			s, _, _ := text(p.Value)
			if v, err := readInt(s); err == nil && v > Format {
				r.fail(start(name, p.Value), diag.Say("written in format %d, this program reads format %d", v, Format).Hint("use a newer program"))
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
				r.fail(where, diag.Say("%q is used already", ref).Hint("what it defines can be on one bus only"))
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
		r.fail(start(name, node), diag.Say(`missing key "format"`).Expect(`"format: %d" in every file`, Format))
	} else if f.Format < 1 && !r.bad[sub("", "format")] {
		r.fail(r.spans[sub("", "format")], diag.About("format").Expect("%d", Format).Got("%d", f.Format))
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
			r.fail(where, messageOf(err))
			return false
		}
	case strings.HasPrefix(src.name, libraryRoot):
		r.fail(where, diag.Say("a built-in library uses other built-in libraries only, found %q", ref))
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
			r.fail(where, diag.Say("%q uses this file in turn", ref).Hint("take one of the two out"))
			return false
		}
		maps.Copy(src.uses, old.uses)
		return true
	}
	if len(r.files) >= maxFiles || r.bytes > maxBytes {
		r.fail(where, diag.Expect("at most %d files of %d bytes together", maxFiles, maxBytes))
		return false
	}
	if !library {
		if r.open == nil {
			r.fail(where, diag.Say("%q cannot be opened from here", ref).Expect("built-in libraries only: %s", strings.Join(Libraries(), ", ")))
			return false
		}
		if content, err = r.open(name); err != nil {
			r.fail(where, diag.Say("%q cannot be read: %v", ref, err))
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
	r.spans[at] = start(src.name, n)
	delete(r.bad, at)
	switch p := v.Addr().Interface().(type) {
	case *States:
		r.bindStates(src, n, p, at)
		return
	case *[]Condition:
		r.bindConditions(src, n, p, at)
		return
	case *Points:
		r.bindPoints(src, n, p, at)
		return
	case *Range:
		r.bindRange(src, n, p, at, at1(at))
		return
	case named: // States and Points of its kind are above
		r.bindNamed(src, n, p, at, f)
		return
	}
	if sc, ok := scalars[v.Type()]; ok {
		r.bindValue(n, v, at, f, sc.into)
		return
	}
	switch v.Kind() {
	case reflect.Pointer:
		r.bindPointer(src, n, v, at, f)
	case reflect.Struct:
		r.bindStruct(src, n, v, at)
	case reflect.Slice:
		r.bindSlice(src, n, v, at, f)
	case reflect.String:
		r.bindValue(n, v, at, f, readText)
	case reflect.Bool:
		r.bindValue(n, v, at, f, readBool)
	case reflect.Float64:
		r.bindValue(n, v, at, f, readNumber)
	case reflect.Int, reflect.Uint8, reflect.Uint32:
		r.bindValue(n, v, at, f, readWhole)
	default:
		panic(fmt.Sprintf("signals: no way to read a %v", v.Type()))
	}
}

// bindValue reads a node that is one value.
func (r *reader) bindValue(n ast.Node, v reflect.Value, at string, f fieldInfo, read func(ast.Node, reflect.Value, fieldInfo) error) {
	err := read(n, v, f)
	if err == nil {
		return
	}
	m := messageOf(err)
	if !strings.HasPrefix(m.Problem, "unknown") { // that is said well enough without the key
		m = m.About(f.key)
	}
	r.failAt(at, r.spans[at], m)
}

// messageOf returns an error as a message.
func messageOf(err error) diag.Message {
	var m diag.Message
	if errors.As(err, &m) {
		return m
	}
	return diag.Say("%v", err)
}

// instead says that a node is not what was expected.
func instead(n ast.Node, expected string) error {
	return diag.Expect("%s", expected).Got("%s", describe(n))
}

// into reads a value that has a spelling of its own.
func (sc scalar) into(n ast.Node, v reflect.Value, _ fieldInfo) error {
	s, _, ok := text(n)
	if !ok {
		return instead(n, "one word or figure")
	}
	value, err := sc.read(s)
	if err == nil {
		v.Set(reflect.ValueOf(value))
	}
	return err
}

func readText(n ast.Node, v reflect.Value, _ fieldInfo) error {
	s, _, ok := text(n)
	switch {
	case !ok:
		return instead(n, "a text")
	case utf8.RuneCountInString(s) > maxText:
		return diag.Expect("a text of at most %d characters", maxText)
	}
	v.SetString(strings.TrimRight(s, "\n"))
	return nil
}

func readBool(n ast.Node, v reflect.Value, _ fieldInfo) error {
	b, ok := n.(*ast.BoolNode)
	if !ok {
		return instead(n, "true or false")
	}
	v.SetBool(b.Value)
	return nil
}

// readNumber reads a number, with its unit where the field has one.
func readNumber(n ast.Node, v reflect.Value, f fieldInfo) error {
	s, plain, ok := text(n)
	if !ok {
		return instead(n, "a number")
	}
	var value float64
	var err error
	if f.unit != "" {
		value, err = readQuantity(s, f)
	} else if value, err = readFloat(s); err != nil || !plain {
		err = instead(n, "a number")
	}
	if err == nil {
		v.SetFloat(value)
	}
	return err
}

// readWhole reads a whole number that fits its field.
func readWhole(n ast.Node, v reflect.Value, _ fieldInfo) error {
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
		return instead(n, "a whole number")
	case value < low || value > high:
		return diag.Expect("a whole number from %d to %d", low, high).Got("%s", s)
	case v.CanUint():
		v.SetUint(uint64(value))
	default:
		v.SetInt(value)
	}
	return nil
}

// bindPointer reads what may be left out; a pointer tells that it was there.
func (r *reader) bindPointer(src *source, n ast.Node, v reflect.Value, at string, f fieldInfo) {
	p := v
	if p.IsNil() {
		p = reflect.New(v.Type().Elem())
	}
	r.bind(src, n, p.Elem(), at, f)
	if !r.bad[at] {
		v.Set(p)
	}
}

// bindSlice reads a list; a single value is a list of one.
func (r *reader) bindSlice(src *source, n ast.Node, v reflect.Value, at string, f fieldInfo) {
	where := r.spans[at]
	items := []ast.Node{n}
	if seq, ok := n.(*ast.SequenceNode); ok {
		items = seq.Values
	}
	list := reflect.MakeSlice(v.Type(), len(items), len(items))
	for i, item := range items {
		r.bind(src, item, list.Index(i), sub(at, itoa(i)), f)
	}
	r.spans[at] = where
	v.Set(list)
}

// readQuantity reads "30 rpm" into the unit of a field.
func readQuantity(s string, f fieldInfo) (float64, error) {
	want := diag.Expect("a figure with its unit such as %s", f.example()).Got("%q", s)
	v, symbol, err := figure(s)
	switch number := strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(s), symbol)); {
	case err != nil:
		return 0, want
	case symbol == "":
		want.Suggestion = number + " " + string(f.unit)
		return 0, want
	case strings.HasPrefix(symbol, ","):
		return 0, want.Hint("the decimal sign is a point")
	default:
		// 2.5k: a prefix without its unit.
		if whole, err := unit.Parse(symbol + string(f.unit)); err == nil {
			want.Suggestion = number + " " + string(whole)
		}
	}
	from, err := unit.Parse(symbol)
	switch {
	case err != nil && want.Suggestion != "":
		return 0, want
	case err != nil:
		return 0, err
	}
	if v, err = unit.Convert(v, from, f.unit); err != nil {
		return 0, diag.Expect("a figure in %s", f.unit).Got("%q", s).Hint("%v", err)
	}
	return v, nil
}

// example returns the figure that the help of a field gives as an example.
func (f fieldInfo) example() string {
	if _, after, ok := strings.Cut(f.help, "such as "); ok {
		end := strings.IndexAny(after, ",;")
		if end < 0 {
			end = len(after)
		}
		return after[:end]
	}
	return "5 " + string(f.unit)
}

// ReadFigure reads what somebody has measured, such as "2.1 bar", into a unit; a
// figure without unit counts as being in it.
func ReadFigure(s string, to unit.Unit) (float64, error) {
	v, symbol, err := figure(s)
	want := diag.Expect("%s", strings.TrimRight("a figure such as 5 "+string(to), " ")).Got("%q", s)
	switch {
	case err != nil:
		return 0, want
	case strings.HasPrefix(symbol, ","):
		return 0, want.Hint("the decimal sign is a point")
	case symbol == "":
		return v, nil
	}
	from, err := unit.Parse(symbol)
	if err != nil {
		return 0, err
	}
	converted, err := unit.Convert(v, from, to)
	if err != nil {
		return 0, want.Hint("%v", err)
	}
	return converted, nil
}

// keys walks the entries of a mapping, reporting keys that are none or come
// twice. visit gets the text of each new key.
func (r *reader) keys(src *source, n ast.Node, at string, what string, visit func(key string, where span, value ast.Node)) {
	list, ok := pairs(n)
	if !ok {
		r.failAt(at, start(src.name, n), diag.Expect("%s", what).Got("%s", describe(n)))
		return
	}
	seen := make(map[string]span)
	for _, p := range list {
		where := start(src.name, p.Key)
		key, _, ok := text(p.Key)
		if !ok {
			r.fail(where, diag.Expect("a key").Got("%s", describe(p.Key)))
			continue
		}
		if first, ok := seen[key]; ok {
			r.twice(where, first.pos, diag.Say("key %q stands here a second time", key).Hint("keep one of the two"))
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
				r.fail(where, diag.Say("unknown key %q without a value", key).Hint("a text with a comma in it needs quotes between braces"))
				return
			}
			m := diag.Say("unknown key %q", key).Suggest(key, keys)
			if i := slices.IndexFunc(otherWords[strings.ToLower(key)], func(k string) bool { return slices.Contains(keys, k) }); i >= 0 {
				m.Suggestion = otherWords[strings.ToLower(key)][i]
			}
			if m.Suggestion == "" {
				slices.Sort(keys)
				m = m.Expect("%s", oneOf(keys))
			}
			r.fail(where, m)
			return
		}
		f := fields[i]
		r.bind(src, value, v.Field(f.index), sub(at, key), f)
	})
}

// otherWords are words that other people use for keys of this format.
var otherWords = map[string][]string{
	"factor": {"resolution"}, "scale": {"resolution"}, "scaling": {"resolution"}, "gain": {"resolution"}, "slope": {"resolution"}, "multiplier": {"resolution"},
	"bias": {"offset"}, "byte_order": {"order"}, "byteorder": {"order"}, "endian": {"order"}, "endianness": {"order"},
	"type": {"number", "form"}, "sign": {"number"}, "signed": {"number"},
	"size": {"bits", "length"}, "width": {"bits"}, "length": {"bits"}, "dlc": {"length"}, "bytes": {"length"},
	"position": {"start"}, "startbit": {"start"}, "start_bit": {"start"}, "bit": {"start"},
	"enum": {"states"}, "values": {"states"}, "choices": {"states"}, "texts": {"states"},
	"min": {"range", "limits"}, "max": {"range", "limits"}, "minimum": {"range", "limits"}, "maximum": {"range", "limits"}, "limits": {"range"}, "range": {"limits"},
	"invalid": {"missing"}, "not_available": {"missing"}, "mux": {"when"}, "multiplexer": {"when"},
	"units": {"unit"}, "name": {"title"}, "label": {"title"}, "comment": {"note"}, "description": {"note"},
	"period": {"every"}, "cycle": {"every"}, "cycle_time": {"every"}, "interval": {"every"}, "timeout": {"stale_after"},
	"identifier": {"id"}, "address": {"id", "source"}, "speed": {"bitrate"}, "baud": {"bitrate"}, "baudrate": {"bitrate"}, "crc": {"checksum"},
	"expression": {"formula"}, "equation": {"formula"}, "condition": {"when", "until"}, "if": {"when"},
	"text": {"say"}, "message": {"say"}, "severity": {"level"}, "delay": {"for"},
	"messages": {"frames"}, "gearbox": {"transmission"}, "include": {"use"}, "import": {"use"}, "pullup": {"pull_up"},
}

func (r *reader) bindNamed(src *source, n ast.Node, nm named, at string, f fieldInfo) {
	r.keys(src, n, at, "names, each with what it stands for", func(name string, where span, value ast.Node) {
		check := checkName
		if f.name == "identifier" {
			check = checkIdentifier
		}
		if err := check(name); err != nil {
			r.fail(where, messageOf(err))
			return
		}
		v, old := nm.slot(name, where.pos)
		if old != nil && !src.uses[old.File] {
			r.twice(where, *old, diag.Say("%q is defined twice, by files that do not use each other", name).Hint("rename one"))
			return
		}
		r.bind(src, value, v.Elem(), sub(at, name), fieldInfo{key: ""})
	})
}

// reserved words cannot name a signal: they mean something in formulas.
var reserved = []string{"and", "or", "not", "true", "false", "nil", "in", "let", "if", "else", "matches", "contains", "startsWith", "endsWith"}

// checkName tells what is wrong with a name, nil if nothing is.
func checkName(name string) error {
	switch {
	case name == "":
		return diag.Expect("a name").Got("none")
	case utf8.RuneCountInString(name) > maxName:
		return diag.Expect("a name of at most %d characters", maxName)
	case strings.IndexFunc(name, func(r rune) bool { return !unicode.IsPrint(r) }) >= 0:
		return diag.Expect("a name of printable characters").Got("%q", name)
	case strings.TrimSpace(name) != name:
		return diag.Expect("a name without blanks at its ends").Got("%q", name)
	}
	return nil
}

// checkIdentifier tells what is wrong with a name that can stand in formulas.
func checkIdentifier(name string) error {
	if err := checkName(name); err != nil {
		return err
	}
	if slices.Contains(reserved, name) {
		return diag.Say("%q means something in formulas and cannot be a name", name)
	}
	for i, r := range name {
		if !('a' <= r && r <= 'z' || 'A' <= r && r <= 'Z' || r == '_' || i > 0 && '0' <= r && r <= '9') {
			return diag.Expect("a name of letters a to z, digits and _, beginning with a letter").Got("%q", name)
		}
	}
	return nil
}

func (r *reader) bindStates(src *source, n ast.Node, v *States, at string) {
	var list States
	r.keys(src, n, at, "raw values and their texts such as {0: P, 1: R}", func(key string, where span, value ast.Node) {
		raw, err := readInt(key)
		if err != nil {
			r.failAt(at, where, diag.About("states").Expect("a raw value such as 0 or 0x1F").Got("%q", key))
			return
		}
		s, _, ok := text(value)
		if !ok || checkName(s) != nil {
			r.failAt(at, start(src.name, value), diag.About("states").Expect("a text").Got("%s", describe(value)))
			return
		}
		r.spans[sub(at, key)] = where
		for _, e := range list {
			if e.Name == s || e.V == raw {
				r.twice(where, e.Pos, diag.About("states").Say("raw value %d and text %q must each stand once", raw, s))
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
		r.failAt(at, where, diag.About(key).Expect("[lowest, highest]").Got("%s", describe(n)))
		return
	}
	var ends [2]float64
	for i, item := range seq.Values {
		s, plain, ok := text(item)
		value, err := readFloat(s)
		if !ok || !plain || err != nil {
			r.failAt(at, start(src.name, item), diag.About(key).Expect("a number").Got("%s", describe(item)))
			return
		}
		ends[i] = value
	}
	if ends[0] >= ends[1] {
		r.failAt(at, where, diag.About(key).Expect("the lowest value first").Got("[%s, %s]", writeFloat(ends[0]), writeFloat(ends[1])))
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
			r.failAt(at, where, diag.Expect("a number").Got("%q", key))
		case !ok || !plain || err2 != nil:
			r.failAt(at, start(src.name, value), diag.Expect("a number").Got("%s", describe(value)))
		case len(list) > 0 && x <= list[len(list)-1].X:
			r.failAt(at, where, diag.Expect("points in rising order").Got("%s after %s", writeFloat(x), writeFloat(list[len(list)-1].X)))
		default:
			list = append(list, Point{x, y})
		}
	})
	if !r.bad[at] && len(list) < 2 {
		r.failAt(at, r.spans[at], diag.Expect("two points or more").Got("%d", len(list)))
	}
	*v = list
}
