// Package problem shows what is wrong with a text that a person wrote: in each
// message the text below it, with a caret under where it goes wrong, and at the end
// how many there are. Configurations, tables and the values of flags use it alike.
package problem

import (
	"errors"
	"strconv"
	"strings"
)

// Pointed is a message with the text that it is about below it, and a caret under the
// character at, from 0. Without a text it is the message alone.
func Pointed(message, text string, at int) string {
	if text == "" {
		return message
	}
	const indent = "    "
	return message + "\n" + indent + text + "\n" + indent + strings.Repeat(" ", at) + "^"
}

// Count closes a list of problems.
func Count(n int) string {
	if n == 1 {
		return "1 problem"
	}
	return strconv.Itoa(n) + " problems"
}

// List gathers what is wrong with the flags of a command. The zero value is empty.
type List struct {
	texts []string
}

// Flag adds what is wrong with the value of a flag, named without its dashes; errors that
// were joined are a problem each. It does nothing where err is nil.
func (l *List) Flag(name, value string, err error) {
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		for _, one := range joined.Unwrap() {
			l.Flag(name, value, one)
		}
		return
	}
	if err != nil {
		name = "--" + name
		l.texts = append(l.texts, Pointed(name+": "+err.Error(), name+" "+strconv.Quote(value), len(name)+2))
	}
}

// Add adds what is wrong with no value in particular. It does nothing where err is nil.
func (l *List) Add(err error) {
	if err != nil {
		l.texts = append(l.texts, err.Error())
	}
}

// Len is how many problems there are.
func (l *List) Len() int { return len(l.texts) }

// Err tells all of them and how many there are; it is nil where there is none.
func (l *List) Err() error {
	if len(l.texts) == 0 {
		return nil
	}
	return errors.New(strings.Join(append(l.texts, Count(len(l.texts))), "\n"))
}

// OfFlag is a list of one: what is wrong with the value of a flag, nil where err is nil.
func OfFlag(name, value string, err error) error {
	var l List
	l.Flag(name, value, err)
	return l.Err()
}
