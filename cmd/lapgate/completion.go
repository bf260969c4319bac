package main

import (
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"lapgate/configs"
	"lapgate/gateway/config"
	"lapgate/gateway/cycle"
	"lapgate/gateway/inspect"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/check"
)

// shells are those that completion is written for, by name.
func shells(root *cobra.Command) map[string]func(io.Writer) error {
	return map[string]func(io.Writer) error{
		"bash": func(w io.Writer) error { return root.GenBashCompletionV2(w, true) },
		"zsh":  root.GenZshCompletion,
		"fish": func(w io.Writer) error { return root.GenFishCompletion(w, true) },
	}
}

var shellNames = []cobra.Completion{"bash", "zsh", "fish"}

func (p *program) completionCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "completion bash|zsh|fish",
		Short: "Print what lets a shell complete commands, flags and values",
		Long: `Completion prints a script for the shell that is named. With it the shell completes
commands, flags and values: lines, slots, wrappers, grades and keys of the
configuration that --config or $LAPGATE_CONFIG names, codes, faults and words.`,
		Example: `  lapgate completion bash > /etc/bash_completion.d/lapgate
  lapgate completion fish > ~/.config/fish/completions/lapgate.fish`,
		Args:      takes("the name of a shell"),
		ValidArgs: shellNames,
		RunE: func(cmd *cobra.Command, args []string) error {
			write, ok := shells(cmd.Root())[args[0]]
			if !ok {
				return usageError("completion: got %q, want one of %s", args[0], strings.Join(shellNames, ", "))
			}
			return write(p.stdout)
		},
	}
}

// values are what a flag or an argument may be; s is the configuration that is named,
// that of the demo where none is or where it cannot be read.
type values func(s *config.Snapshot) []cobra.Completion

// flagValues are the flags whose values are known, by their names. Where several
// commands have a flag, it means the same in each.
func flagValues() map[string]values {
	return map[string]values{
		"line":      linesOf,
		"slot":      slotsOf,
		"paper":     func(s *config.Snapshot) (out []cobra.Completion) { return papersOf(materials(s)) },
		"material":  func(s *config.Snapshot) (out []cobra.Completion) { return headsOf(materials(s)) },
		"spec":      func(s *config.Snapshot) (out []cobra.Completion) { return specsOf(materials(s)) },
		"grade":     func(s *config.Snapshot) (out []cobra.Completion) { return gradesOf(materials(s)) },
		"core":      func(s *config.Snapshot) (out []cobra.Completion) { return coresOf(materials(s)) },
		"finding":   func(*config.Snapshot) []cobra.Completion { return confirmables() },
		"set":       settings,
		"kind":      recordKinds,
		"value":     func(*config.Snapshot) []cobra.Completion { return setpoints() },
		"format":    fixed(exportFormats...),
		"order":     fixed(inspect.OrderNames()...),
		"transport": func(*config.Snapshot) []cobra.Completion { return simTransports() },
		"profile":   fixed(string(config.ProfileBlocks), string(config.ProfileMapped)),
		"texts":     fixed("text", "csv", "json"),
		"layout":    fixed("text", "csv", "json"),
		"fault":     func(*config.Snapshot) []cobra.Completion { return simFaults() },
		"quirk":     func(*config.Snapshot) []cobra.Completion { return simQuirks() },
		"process":   func(*config.Snapshot) []cobra.Completion { return simProcessFaults() },
	}
}

// argumentValues are the arguments whose values are known, by the command and in the
// order of the arguments.
func argumentValues() map[string][]values {
	alarms := []values{func(*config.Snapshot) []cobra.Completion { return alarmCodes() }}
	return map[string][]values{
		"lapgate station":               {fixed(recipe.StationKeys()...), fixed("manual", "semi", "auto")},
		"lapgate config":                {keysOf},
		"lapgate alarms ack":            alarms,
		"lapgate alarms shelve":         alarms,
		"lapgate alarms unshelve":       alarms,
		"lapgate alarms out-of-service": alarms,
		"lapgate alarms in-service":     alarms,
	}
}

// completeValues lets a shell complete the values of flags and arguments.
func (p *program) completeValues(root *cobra.Command) {
	flags, arguments := flagValues(), argumentValues()
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		c.LocalFlags().VisitAll(func(f *pflag.Flag) {
			if known, ok := flags[f.Name]; ok && f.Value.Type() != "bool" {
				// It fails for a flag that is not there or has values already alone.
				_ = c.RegisterFlagCompletionFunc(f.Name, p.completes(func(int) values { return known }))
			}
		})
		if list, ok := arguments[c.CommandPath()]; ok {
			c.ValidArgsFunction = p.completes(func(given int) values {
				if given < len(list) {
					return list[given]
				}
				return fixed()
			})
		}
		for _, sub := range c.Commands() {
			walk(sub)
		}
	}
	walk(root)
}

// completes makes the answer to a shell. of is given how many arguments stand before.
func (p *program) completes(of func(given int) values) cobra.CompletionFunc {
	return func(cmd *cobra.Command, args []string, begun string) ([]cobra.Completion, cobra.ShellCompDirective) {
		list := of(len(args))(p.completionConfig(cmd))
		directive := cobra.ShellCompDirectiveNoFileComp
		list = slices.DeleteFunc(list, func(c cobra.Completion) bool { return !strings.HasPrefix(c, begun) })
		if len(list) > 0 && strings.HasSuffix(list[0], "=") {
			directive |= cobra.ShellCompDirectiveNoSpace
		}
		return list, directive
	}
}

// completionConfig is the configuration that the line so far names.
func (p *program) completionConfig(cmd *cobra.Command) *config.Snapshot {
	var named sourceFlags
	if f := cmd.Flags().Lookup("config"); f != nil {
		named.path = f.Value.String()
	}
	src, err := p.source(&named)
	if err == nil && src.Path != "" {
		if s, err := config.Load(src); err == nil {
			return s
		}
	}
	s, err := config.Load(config.Source{Path: demoName, Bytes: configs.Demo()})
	if err != nil {
		return &config.Snapshot{}
	}
	return s
}

func fixed(words ...string) values {
	return func(*config.Snapshot) []cobra.Completion { return slices.Clone(words) }
}

func linesOf(s *config.Snapshot) (out []cobra.Completion) {
	for i := range s.Lines {
		out = append(out, s.Lines[i].Recipe.Name)
	}
	return out
}

// slotsOf are the slots of all lines with what the configuration says hangs there.
func slotsOf(s *config.Snapshot) (out []cobra.Completion) {
	for i := range s.Lines {
		for _, slot := range s.Lines[i].Recipe.Stand.Slots {
			out = append(out, cobra.CompletionWithDesc(strconv.Itoa(slot.Number), fmt.Sprintf("%s: %s", s.Lines[i].Recipe.Name, slot.Paper)))
		}
	}
	return out
}

// materials are those of the mill, which all its lines have.
func materials(s *config.Snapshot) *recipe.Materials {
	if len(s.Lines) == 0 {
		return &recipe.Materials{}
	}
	return &s.Lines[0].Recipe.Materials
}

func papersOf(m *recipe.Materials) (out []cobra.Completion) {
	for i := range m.Papers {
		out = append(out, m.Papers[i].Name)
	}
	return out
}

func headsOf(m *recipe.Materials) (out []cobra.Completion) {
	for i := range m.Stock {
		out = append(out, m.Stock[i].Name)
	}
	return out
}

func specsOf(m *recipe.Materials) (out []cobra.Completion) {
	for i := range m.Specs {
		out = append(out, m.Specs[i].Name)
	}
	return out
}

func gradesOf(m *recipe.Materials) (out []cobra.Completion) {
	for i := range m.Grades {
		out = append(out, cobra.CompletionWithDesc(fmt.Sprint(m.Grades[i].Code), m.Grades[i].Name))
	}
	return out
}

func coresOf(m *recipe.Materials) (out []cobra.Completion) {
	for i := range m.Cores {
		out = append(out, cobra.CompletionWithDesc(fmt.Sprint(m.Cores[i].Code), m.Cores[i].Name))
	}
	return out
}

// keysOf are the keys in force.
func keysOf(s *config.Snapshot) (out []cobra.Completion) {
	for _, v := range s.Effective() {
		out = append(out, v.Key)
	}
	return out
}

// confirmables are the findings that a person confirms.
func confirmables() (out []cobra.Completion) {
	for _, c := range check.Codes() {
		if check.Confirmable(c.Code) {
			out = append(out, cobra.CompletionWithDesc(string(c.Code), fmt.Sprint(check.Meaning(c.Code))))
		}
	}
	return out
}

// setpoints are the values that an override may give.
func setpoints() (out []cobra.Completion) {
	for _, s := range recipe.AllSetpoints() {
		if !s.Derived {
			out = append(out, s.Word()+"=")
		}
	}
	return out
}

// recordKinds are the kinds of records.
func recordKinds(*config.Snapshot) (out []cobra.Completion) {
	for _, k := range record.Kinds() {
		out = append(out, string(k))
	}
	return out
}

// alarmCodes are the codes of alarms with what they mean.
func alarmCodes() (out []cobra.Completion) {
	for _, code := range cycle.NoticeCodes() {
		if r, _ := cycle.RuleOf(code); r.Priority > 0 {
			out = append(out, cobra.CompletionWithDesc(code, r.Meaning))
		}
	}
	return out
}

// settings are the keys in force as --set takes them.
func settings(s *config.Snapshot) []cobra.Completion {
	out := keysOf(s)
	for i := range out {
		out[i] += "="
	}
	return out
}
