package journal

import (
	"context"
	"fmt"

	"lapgate/gateway/record"
)

// What the tests need to damage journals and to reckon their chain.
const (
	SchemaVersion = schemaVersion
	Batch         = batch
)

// The parts of a journal, and how it is opened, renamed and hashed.
var (
	Parts    = parts
	OpenBy   = openBy
	SetAside = setAside
	HashOf   = hashOf
	URI      = uri
)

// LimitPages lets the file grow to no more than a number of pages.
func (j *Journal) LimitPages(ctx context.Context, pages int) error {
	_, err := j.write.ExecContext(ctx, fmt.Sprintf(`PRAGMA max_page_count = %d`, pages))
	return err
}

// OrderProblems is what is wrong with the order of records.
func OrderProblems(records []record.Record) []string {
	var o order
	var problems []string
	for _, r := range records {
		problems = append(problems, o.add(r)...)
	}
	return problems
}
