package config

import (
	"reflect"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/viper"

	"lapgate/recipe/quantity"
)

// envPrefix begins the names of the variables that override the file.
const envPrefix = "LAPGATE_"

// envConfig names the configuration file itself for the commands; it overrides
// nothing in it.
const envConfig = envPrefix + "CONFIG"

// override lays the environment and the flags over the tree. Which of several
// values wins is left to viper; what they mean is decided by the one decoder.
func (d *decoder) override(root *node, env []string, set map[string]string) {
	v := viper.NewWithOptions(viper.KeyDelimiter("/"))
	var keys []string
	add := func(key string) {
		if !slices.Contains(keys, key) {
			keys = append(keys, key)
		}
	}
	names := envNames()
	for _, pair := range env {
		name, text, ok := strings.Cut(pair, "=")
		if !ok || !strings.HasPrefix(name, envPrefix) || name == envConfig {
			continue
		}
		source := "environment " + name
		i := slices.IndexFunc(names, func(e envName) bool { return e.name == name })
		if i < 0 {
			d.unknownEnv(name, source, names)
			continue
		}
		v.SetDefault(names[i].key, override(text, source))
		add(names[i].key)
	}
	var flags []string
	for key := range set {
		flags = append(flags, key)
	}
	slices.Sort(flags)
	for _, key := range flags {
		lower := strings.ToLower(key)
		if lower != key || strings.Contains(key, "/") {
			d.problem(position{source: "flag --set"}, key, "unknown key", quoted(key), "the path of a key in lower case", "write it as in lines.0.controller.address")
			continue
		}
		v.Set(key, override(set[key], "flag --set"))
		add(key)
	}
	slices.Sort(keys)
	for _, key := range keys {
		if n, ok := v.Get(key).(*node); ok {
			d.place(root, key, n)
		}
	}
}

// override is the node of an overriding value.
func override(text, source string) *node {
	return &node{text: text, free: true, null: text == "", pos: position{source: source}}
}

type envName struct{ name, key string }

// envNames lists the variables: the single values of the sections of the top
// level.
func envNames() []envName {
	var out []envName
	for _, s := range fields(reflect.TypeFor[document]()) {
		if !s.section() {
			continue
		}
		for _, f := range fields(s.typ) {
			key := s.key + "." + f.key
			out = append(out, envName{envPrefix + strings.ToUpper(strings.ReplaceAll(key, ".", "_")), key})
		}
	}
	return out
}

func (d *decoder) unknownEnv(name, source string, names []envName) {
	all := make([]string, len(names))
	for i, n := range names {
		all[i] = n.name
	}
	remedy := "unset it; keys of lines and materials are overridden with --set"
	if near := quantity.Nearest(name, all); near != "" {
		remedy = "did you mean " + near + "?"
	}
	d.warning(position{source: source}, "", "variable that overrides nothing", quoted(name), "the name of a key of units, log, status or journal", remedy)
}

// place puts a node into the tree at the path, making mappings on the way.
// Elements of lists must be there already.
func (d *decoder) place(root *node, path string, n *node) {
	at := root
	parts := strings.Split(path, ".")
	if len(parts) > maxDepth || slices.Contains(parts, "") {
		d.problem(n.pos, path, "unknown key", quoted(path), "the path of a key", "write it as in lines.0.controller.address")
		return
	}
	for i, part := range parts {
		last := i == len(parts)-1
		var next **node
		switch at.kind {
		case sequence:
			k, err := strconv.Atoi(part)
			if err != nil || k < 0 || k >= len(at.items) || strconv.Itoa(k) != part {
				d.problem(n.pos, path, "no such element", quoted(part), "0.."+strconv.Itoa(len(at.items)-1)+" of "+strings.Join(parts[:i], "."), "elements count from 0; add them in the file")
				return
			}
			next = &at.items[k]
		case mapping:
			k := slices.IndexFunc(at.keys, func(e entry) bool { return e.key == part })
			if k < 0 {
				at.keys = append(at.keys, entry{key: part, pos: n.pos, value: &node{kind: mapping, pos: n.pos}})
				k = len(at.keys) - 1
			}
			next = &at.keys[k].value
		default:
			d.problem(n.pos, path, "unknown key", quoted(path), strings.Join(parts[:i], ".")+" is a single value", "remove the rest of the path")
			return
		}
		if !last {
			at = *next
			continue
		}
		if (*next).kind != scalar && (len((*next).keys) > 0 || len((*next).items) > 0) {
			d.problem(n.pos, path, "not a single value", "a value for "+(*next).what(), "the path of a single value", "name the key below it")
			return
		}
		*next = n
	}
}
