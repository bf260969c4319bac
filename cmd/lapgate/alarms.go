package main

import (
	"context"
	"errors"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/alarm"
	"lapgate/gateway/control"
)

func (p *program) alarmsCommand() *cobra.Command {
	var f daemonFlags
	var output outputFlags
	r := control.Request{Command: control.Alarms}
	cmd := &cobra.Command{
		Use:   "alarms",
		Short: "List the alarms of a line, acknowledge or shelve them",
		Long: `Alarms lists what needs somebody, in the words of IEC 62682: unacknowledged,
acknowledged, returned (its cause is gone, and nobody has said that it was seen),
shelved, out of service. Exit code 5 while one is unacknowledged or returned.

Its commands act on the alarm of that name, as certificate-ends/own, or on all of a
code. They change nothing at the line: neither what is wrong there nor what lapgate
offers. The journal keeps each with the name of the person.`,
		Example: `  lapgate alarms --config mill.yaml
  lapgate alarms ack ring-nearly-full --config mill.yaml --line north --by "Kim Berg"`,
		Args: takes(),
		RunE: func(cmd *cobra.Command, _ []string) error { return p.listAlarms(cmd.Context(), &f, output, r) },
	}
	f.add(cmd)
	addLine(cmd, &r.Line, allLines)
	output.add(cmd)
	cmd.AddCommand(
		p.alarmAct(alarm.Ack, "ack", "Say that an alarm is seen", ""),
		p.alarmAct(alarm.Shelve, "shelve", "Set an alarm aside until a time, the end of the shift at the latest",
			"What tells of a danger, or of a record that nobody can vouch for, cannot be shelved."),
		p.alarmAct(alarm.Unshelve, "unshelve", "End the shelf of an alarm", ""),
		p.alarmAct(alarm.Retire, "out-of-service", "Set an alarm aside until a person puts it back",
			"It is for what stays for days, as while a part is ordered. What cannot be shelved cannot be taken out of service."),
		p.alarmAct(alarm.Reactivate, "in-service", "Put an alarm back that is out of service", ""),
	)
	return cmd
}

// alarmRow is one alarm as it is printed.
type alarmRow struct {
	Line     string    `json:"line"`
	Alarm    string    `json:"alarm"`
	Priority string    `json:"priority" print:"words=priority"`
	State    string    `json:"state" print:"words=alarm"`
	Active   bool      `json:"active"`
	Since    time.Time `json:"since,omitzero"`
	By       string    `json:"by,omitempty"`
	Until    time.Time `json:"until,omitzero"`
	Reason   string    `json:"reason,omitempty" print:"below"`
	Meaning  string    `json:"meaning" print:"below"`
	Remedy   string    `json:"remedy" print:"below"`
}

func (p *program) listAlarms(ctx context.Context, f *daemonFlags, output outputFlags, r control.Request) error {
	words, err := f.words(p)
	if err != nil {
		return err
	}
	r.Program = !output.isText()
	reply, err := p.ask(ctx, f, r)
	if err != nil {
		return err
	}
	rows := []alarmRow{}
	calls := 0
	for _, l := range reply.Alarms {
		for _, a := range l.Alarms {
			rows = append(rows, alarmRow{
				Line: l.Line, Alarm: a.Key, Priority: a.Priority.String(), State: a.State.String(), Active: a.Active,
				Since: a.Since, By: a.By, Until: a.Until, Reason: a.Reason, Meaning: a.Meaning, Remedy: a.Remedy,
			})
			if a.State.Calls() {
				calls++
			}
		}
	}
	out := p.printer(output, nil)
	out.Words = words
	if err := out.Print(rows); err != nil {
		return err
	}
	switch calls {
	case 0:
		return nil
	case 1:
		return &exitError{exitDifferences, errors.New(words.Of("alarms.open.one"))}
	}
	return &exitError{exitDifferences, errors.New(words.Of("alarms.open", "count", calls))}
}

// alarmAct is the command of one act of a person.
func (p *program) alarmAct(act alarm.Act, name, short, long string) *cobra.Command {
	var f daemonFlags
	var end string
	r := control.Request{Command: control.Alarms, Act: act}
	reasoned := act == alarm.Shelve || act == alarm.Retire
	cmd := &cobra.Command{
		Use: name + " ALARM --by NAME", Short: short, Long: long,
		Args: takes("the name of one alarm"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if r.By == "" || reasoned && r.Reason == "" {
				return usageError("an act on an alarm needs --by NAME, and where it sets the alarm aside --reason TEXT; the journal keeps both")
			}
			r.Alarm = args[0]
			if end != "" {
				var err error
				if r.End, err = nextTime(end, f.now(p)); err != nil {
					return usageError("--end: %w", err)
				}
			}
			return p.command(cmd.Context(), &f, r)
		},
	}
	f.add(cmd)
	addLine(cmd, &r.Line, onlyLine)
	if reasoned {
		addPerson(cmd, &r.By, &r.Reason, "")
	} else {
		addBy(cmd, &r.By, "")
	}
	if act == alarm.Shelve {
		cmd.Flags().StringVar(&end, "end", "", "time of the day at which the shelf ends, as 13:30 (default the end of the shift)")
	}
	return cmd
}
