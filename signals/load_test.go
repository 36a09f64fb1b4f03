package signals

import (
	"reflect"
	"testing"

	"gearwitness/signals/diag"
)

// bareOf returns the file without places and without the list of files used,
// which printing does not keep.
func bareOf(f *File) *File {
	c := *f
	c.Use = nil
	var strip func(v reflect.Value)
	strip = func(v reflect.Value) {
		switch v.Kind() {
		case reflect.Pointer:
			if !v.IsNil() {
				strip(v.Elem())
			}
		case reflect.Slice:
			for i := range v.Len() {
				strip(v.Index(i))
			}
		case reflect.Struct:
			if v.Type() == reflect.TypeFor[diag.Pos]() {
				v.SetZero()
				return
			}
			for i := range v.NumField() {
				if v.Field(i).CanSet() {
					strip(v.Field(i))
				}
			}
		}
	}
	strip(reflect.ValueOf(&c))
	return &c
}

func TestShippedFilesPrintAndReadBack(t *testing.T) {
	for name, text := range map[string][]byte{"van.yaml": Van(), "truck.yaml": Truck()} {
		f, list := Parse(name, text, nil)
		if len(list) > 0 {
			t.Errorf("%s:\n%s", name, list.Excerpts(func(string) []byte { return text }))
			continue
		}
		printed := f.Text()
		again, list := Parse("printed", printed, nil)
		if list.Err() != nil {
			t.Errorf("%s printed:\n%s", name, list.Excerpts(func(string) []byte { return printed }))
			continue
		}
		if string(again.Text()) != string(printed) {
			t.Errorf("%s: printed twice, differently", name)
		}
		if a, b := bareOf(f), bareOf(again); !reflect.DeepEqual(a, b) {
			t.Errorf("%s: reads back as another file", name)
		}
	}
}
