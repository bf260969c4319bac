package main

import (
	"errors"
	"fmt"
	"io"
	"lapgate/gateway/inspect"
	"strconv"
	"strings"
	"text/tabwriter"
)

// printLooks prints what was seen, a line each, with the remedies below.
func (p *program) printLooks(looks []inspect.LineReport) {
	for i := range looks {
		l := &looks[i]
		fmt.Fprintf(p.stdout, "line %s, %s %s\n", l.Line, l.Protocol, l.Address)
		for _, item := range l.Items {
			word := string(item.Verdict)
			if item.Verdict == inspect.Fail {
				word = "FAIL"
			}
			text := item.Got
			if item.Want != "" {
				text += " (want " + item.Want + ")"
			}
			fmt.Fprintf(p.stdout, "  %-4s  %s: %s\n", word, item.Subject, strings.ReplaceAll(text, "\n", "\n        "))
			if item.Remedy != "" {
				fmt.Fprintf(p.stdout, "        %s\n", item.Remedy)
			}
		}
		if l.TagsReport != nil {
			printTags(p.stdout, l.TagsReport)
		}
	}
}

// looksError is the exit of a look at the controllers: nil when nothing failed.
func looksError(looks []inspect.LineReport) error {
	var failed, away []string
	for i := range looks {
		switch {
		case looks[i].Unreachable:
			away = append(away, looks[i].Line)
		case len(looks[i].Failed()) > 0:
			failed = append(failed, looks[i].Line)
		}
	}
	var text []string
	if len(failed) > 0 {
		text = append(text, "not as configured: line "+strings.Join(failed, ", "))
	}
	if len(away) > 0 {
		text = append(text, "controller not reachable: line "+strings.Join(away, ", "))
		return &exitError{exitUnreachable, errors.New(strings.Join(text, "; "))}
	}
	if len(failed) > 0 {
		return &exitError{exitDifferences, errors.New(strings.Join(text, "; "))}
	}
	return nil
}

// printTags writes the tags as a table, and the numbers in every order.
func printTags(w io.Writer, l *inspect.TagsReport) {
	t := tabwriter.NewWriter(w, 0, 8, 2, ' ', 0)
	fmt.Fprintln(t, "  tag\tplace\ttype\taccess\tvalue\tage\tof\t")
	for i := range l.Tags {
		x := &l.Tags[i]
		access, value := x.Access, x.Value
		if access == "" {
			access = inspect.NotTold
		}
		if !x.Exists {
			value = "none"
		}
		kind := x.Type
		if x.TypeThere != "" {
			kind += " (" + x.TypeThere + ")"
		}
		fmt.Fprintf(t, "  %s\t%s\t%s\t%s\t%s\t%s ms\t%s\t\n", x.Field, x.Place, kind, access, value, strconv.FormatFloat(1000*x.Age, 'f', 1, 64), x.AgeOf)
	}
	_ = t.Flush() // to where the lines above went
	if len(l.Orders) == 0 {
		return
	}
	fmt.Fprintf(w, "  in every word order, %s as configured\n", l.Orders[0].Configured)
	t = tabwriter.NewWriter(w, 0, 8, 2, ' ', 0)
	fmt.Fprintf(t, "  tag\t%s\t\n", strings.Join(inspect.OrderNames(), "\t"))
	for i := range l.Orders {
		fmt.Fprintf(t, "  %s\t", l.Orders[i].Field)
		for _, name := range inspect.OrderNames() {
			fmt.Fprintf(t, "%s\t", l.Orders[i].Values[name])
		}
		fmt.Fprintln(t)
	}
	_ = t.Flush() // likewise
}
