package signals

import (
	"bytes"
	"encoding/json"
	"reflect"

	"gearwitness/signals/unit"
)

// Schema returns the JSON Schema (draft 2020-12) of a vehicle file, made from the
// same types as the reader, so that editors complete and explain keys. It is
// more lenient than the reader: an entry that amends one of a used file may
// leave out keys that are needed in the whole, and references, overlaps and
// units are not its business.
func Schema() []byte {
	s := schemer{defs: make(map[string]any)}
	root := s.object(reflect.TypeFor[File]())
	root["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	root["title"] = "vehicle file"
	root["required"] = []string{"format"}
	root["$defs"] = s.defs
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", " ")
	if err := enc.Encode(root); err != nil {
		panic(err) // maps, slices and strings only
	}
	return b.Bytes()
}

type schemer struct{ defs map[string]any }

type object = map[string]any

// wholeNumbers are texts that read as one: keys of states.
const wholeNumber = `^-?(0x[0-9A-Fa-f]+|0b[01]+|[0-9]+)$`

// object describes a struct.
func (s *schemer) object(t reflect.Type) object {
	properties := object{}
	for _, f := range fieldsOf(t) {
		p := s.of(f.typ, f)
		if _, isRef := p["$ref"]; isRef {
			p = object{"allOf": []any{p}} // a description beside $ref, for older editors
		}
		p["description"] = f.help
		properties[f.key] = p
	}
	return object{"type": "object", "additionalProperties": false, "properties": properties}
}

// of describes one type.
func (s *schemer) of(t reflect.Type, f fieldInfo) object {
	anyText := object{"type": []string{"string", "number", "boolean"}}
	switch t {
	case statesType:
		return object{"type": "object", "propertyNames": object{"pattern": wholeNumber}, "additionalProperties": anyText}
	case rangeType:
		return object{"type": "array", "items": object{"type": "number"}, "minItems": 2, "maxItems": 2}
	case pointsType:
		return object{"type": "object", "minProperties": 2, "additionalProperties": object{"type": "number"}}
	case conditionsType:
		return object{"type": "object", "additionalProperties": s.of(reflect.TypeFor[[]RawRange](), f)}
	case reflect.TypeFor[unit.Unit]():
		var symbols []any
		for _, u := range unit.Table() {
			if u.Symbol != unit.None {
				symbols = append(symbols, string(u.Symbol))
			}
		}
		// The second branch lets other spellings pass: the reader knows them.
		return object{"anyOf": []any{object{"enum": symbols}, object{"type": "string"}}}
	}
	if sc, ok := scalars[t]; ok {
		out := object{"type": sc.types}
		if sc.words != nil {
			out = object{"enum": sc.words}
		}
		if sc.pattern != "" {
			out["pattern"] = sc.pattern
		}
		return out
	}
	if nm, ok := reflect.New(t).Interface().(named); ok {
		out := object{"type": "object", "additionalProperties": s.of(nm.elem(), fieldInfo{})}
		if f.name == "identifier" {
			out["propertyNames"] = object{"pattern": "^[A-Za-z_][A-Za-z0-9_]*$"}
		}
		return out
	}
	switch t.Kind() {
	case reflect.Pointer:
		return s.of(t.Elem(), f)
	case reflect.Struct:
		if _, done := s.defs[t.Name()]; !done {
			s.defs[t.Name()] = object{} // a type that holds itself would come back here
			s.defs[t.Name()] = s.object(t)
		}
		return object{"$ref": "#/$defs/" + t.Name()}
	case reflect.Slice:
		item := s.of(t.Elem(), f)
		return object{"anyOf": []any{item, object{"type": "array", "items": item}}}
	case reflect.Bool:
		return object{"type": "boolean"}
	case reflect.Float64:
		if f.unit != "" {
			return object{"type": "string", "pattern": `^[-+0-9.eE]+ ?\S+$`, "examples": []string{"30 " + string(f.unit)}}
		}
		return object{"type": "number"}
	case reflect.Uint8:
		return object{"type": "integer", "minimum": 0, "maximum": 255}
	case reflect.Uint32:
		return object{"type": "integer", "minimum": 0, "maximum": 1<<32 - 1}
	case reflect.Int:
		return object{"type": "integer"}
	}
	return anyText
}
