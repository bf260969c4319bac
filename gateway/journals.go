package gateway

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"lapgate/gateway/config"
	"lapgate/gateway/journal"
)

// OpenJournals opens the journal of each line below the configured directory.
func OpenJournals(s *config.Snapshot) func(context.Context, string) (Journal, error) {
	return func(ctx context.Context, line string) (Journal, error) {
		path := s.Journal.Path(line)
		if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
			return nil, err
		}
		j, err := journal.Open(ctx, path, journal.OwnedBy(journal.Owner{Line: line, Folder: s.Journal.StateFolder()}))
		if err != nil {
			if errors.Is(err, journal.ErrInUse) {
				return nil, fmt.Errorf("another process serves this line: %w", err)
			}
			return nil, err
		}
		return j, nil
	}
}
