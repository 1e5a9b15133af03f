package strict

import (
	"encoding"
	"fmt"
	"math"
	"reflect"
	"strconv"
	"strings"
)

// decoder puts a tree into values of Go: a mapping into a struct by the names of its
// yaml tags or into a map, a list into a slice or an array of its length, a scalar into
// what it is, a text also into what reads itself from one (encoding.TextUnmarshaler).
type decoder struct {
	file  string
	tree  tree
	types map[reflect.Type][]member
}

// member is a field of a struct under its name in a file.
type member struct {
	name  string
	index []int
}

var textType = reflect.TypeFor[encoding.TextUnmarshaler]()

func (d *decoder) errorf(at int, format string, args ...any) error {
	line, column := d.tree.place(at)
	return &Error{File: d.file, Line: line, Column: column, Problem: fmt.Sprintf(format, args...)}
}

// value puts the node at a place into v, which can be set; name is what it is called.
func (d *decoder) value(at int, v reflect.Value, name string) error {
	n := &d.tree[at]
	if n.kind == null {
		return nil
	}
	if v.Kind() != reflect.Pointer && reflect.PointerTo(v.Type()).Implements(textType) {
		if n.kind >= list {
			return d.wants(at, name, "a single value")
		}
		if err := v.Addr().Interface().(encoding.TextUnmarshaler).UnmarshalText([]byte(n.text)); err != nil {
			return d.errorf(at, "%v", err)
		}
		return nil
	}
	switch v.Kind() {
	case reflect.Pointer:
		to := reflect.New(v.Type().Elem())
		v.Set(to)
		return d.value(at, to.Elem(), name)
	case reflect.Interface:
		if v.NumMethod() == 0 {
			v.Set(reflect.ValueOf(d.tree.natural(at)))
			return nil
		}
	case reflect.Struct:
		return d.structure(at, v, name)
	case reflect.Map:
		return d.table(at, v, name)
	case reflect.Slice, reflect.Array:
		return d.list(at, v, name)
	case reflect.String:
		if n.kind >= list {
			return d.wants(at, name, "a text")
		}
		v.SetString(n.text)
		return nil
	case reflect.Bool:
		if n.kind != boolean {
			return d.wants(at, name, "true or false")
		}
		v.SetBool(n.bits == 1)
		return nil
	case reflect.Float64, reflect.Float32:
		f, ok := n.number()
		if !ok {
			return d.wants(at, name, "a finite number")
		}
		v.SetFloat(f)
		return nil
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		i := int64(n.bits)
		if n.kind != whole && n.kind != negative || n.kind == whole && i < 0 || v.OverflowInt(i) {
			return d.wants(at, name, fmt.Sprintf("a whole number of %d bits with its sign", v.Type().Bits()))
		}
		v.SetInt(i)
		return nil
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		if n.kind != whole || v.OverflowUint(n.bits) {
			return d.wants(at, name, fmt.Sprintf("a whole number from 0 to %d, such as 26 or 0x1A", uint64(math.MaxUint64)>>(64-v.Type().Bits())))
		}
		v.SetUint(n.bits)
		return nil
	}
	return fmt.Errorf("%s: no way to read a %v", name, v.Type())
}

func (d *decoder) wants(at int, name, want string) error {
	return d.errorf(at, "%s is %s, want %s", name, d.tree.shown(at), want)
}

// number is a node as a finite number. A number with an exponent and without a point is
// a plain text to YAML.
func (n *node) number() (float64, bool) {
	var f float64
	switch n.kind {
	case whole:
		f = float64(n.bits)
	case negative:
		f = float64(int64(n.bits))
	case real:
		f = math.Float64frombits(n.bits)
	case plain:
		var err error
		if f, err = strconv.ParseFloat(n.text, 64); err != nil {
			return 0, false
		}
	default:
		return 0, false
	}
	return f, !math.IsNaN(f) && !math.IsInf(f, 0)
}

func (d *decoder) structure(at int, v reflect.Value, name string) error {
	if d.tree[at].kind != mapping {
		return d.wants(at, name, "a mapping of "+d.names(v.Type()))
	}
	members := d.members(v.Type())
	for k, end := at+1, at+int(d.tree[at].size); k < end; {
		key := d.tree[k].text
		i := 0
		for i < len(members) && members[i].name != key {
			i++
		}
		if i == len(members) {
			if err := d.open(k, v); err != nil {
				return err
			}
			k += 1 + int(d.tree[k+1].size)
			continue
		}
		k++
		if err := d.value(k, v.FieldByIndex(members[i].index), key); err != nil {
			return err
		}
		k += int(d.tree[k].size)
	}
	return nil
}

// Keyed is a struct to which a file can have other keys than its fields.
type Keyed interface {
	// Member is a pointer to what the value under a key goes into; nil for a key that
	// is not known. Members lists those that are.
	Member(key string) any
	Members() []string
}

// open puts the value under a key that is no field's where the struct wants it.
func (d *decoder) open(key int, v reflect.Value) error {
	name := d.tree[key].text
	names := d.names(v.Type())
	if o, ok := v.Addr().Interface().(Keyed); ok {
		if to := o.Member(name); to != nil {
			return d.value(key+1, reflect.ValueOf(to).Elem(), name)
		}
		names += ", " + strings.Join(o.Members(), ", ")
	}
	return d.errorf(key, "unknown field %q, want one of %s", name, names)
}

// members are the fields of a struct that a file can name, those of structs within it
// that are inline among them.
func (d *decoder) members(t reflect.Type) []member {
	if m, ok := d.types[t]; ok {
		return m
	}
	var list []member
	for i := range t.NumField() {
		f := t.Field(i)
		if !f.IsExported() {
			continue
		}
		name, options, _ := strings.Cut(f.Tag.Get("yaml"), ",")
		switch {
		case options == "inline":
			for _, m := range d.members(f.Type) {
				list = append(list, member{m.name, append([]int{i}, m.index...)})
			}
		case name == "-":
		case name == "":
			list = append(list, member{strings.ToLower(f.Name), []int{i}})
		default:
			list = append(list, member{name, []int{i}})
		}
	}
	d.types[t] = list
	return list
}

func (d *decoder) names(t reflect.Type) string {
	var names []string
	for _, m := range d.members(t) {
		names = append(names, m.name)
	}
	return strings.Join(names, ", ")
}

func (d *decoder) table(at int, v reflect.Value, name string) error {
	if d.tree[at].kind != mapping || v.Type().Key().Kind() != reflect.String {
		return d.wants(at, name, "a mapping")
	}
	v.Set(reflect.MakeMap(v.Type()))
	for k, end := at+1, at+int(d.tree[at].size); k < end; {
		key := reflect.ValueOf(d.tree[k].text).Convert(v.Type().Key())
		item := reflect.New(v.Type().Elem()).Elem()
		k++
		if err := d.value(k, item, d.tree[k-1].text); err != nil {
			return err
		}
		v.SetMapIndex(key, item)
		k += int(d.tree[k].size)
	}
	return nil
}

func (d *decoder) list(at int, v reflect.Value, name string) error {
	if d.tree[at].kind != list {
		return d.wants(at, name, "a list")
	}
	items := d.tree.items(at)
	if v.Kind() == reflect.Slice {
		v.Set(reflect.MakeSlice(v.Type(), len(items), len(items)))
	} else if v.Len() != len(items) {
		return d.errorf(at, "%s has %d values, want %d", name, len(items), v.Len())
	}
	for i, k := range items {
		if err := d.value(k, v.Index(i), name); err != nil {
			return err
		}
	}
	return nil
}
