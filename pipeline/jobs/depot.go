package jobs

import "context"

// Depot keeps originals and lessons where several machines reach them; package
// depot has one. A key is a path with slashes. What is stored carries the
// SHA-256 of its bytes, which is checked on the way in and on the way out; what
// is fetched appears whole or not at all. Errors: fs.ErrNotExist where nothing
// has that key; errors that say Temporary() are worth another try.
type Depot interface {
	// Put stores a file; where the same bytes have that key nothing is sent.
	Put(ctx context.Context, key, path string) error
	// Get fetches a file to a path where nothing is.
	Get(ctx context.Context, key, path string) error
	// PutFolder stores the plain files of a folder, and of those in it, below a
	// key; the list of them goes last, so that a folder without it isn't whole.
	PutFolder(ctx context.Context, key, dir string) error
	// GetFolder fetches what that list names into a folder that is made.
	GetFolder(ctx context.Context, key, dir string) error
	// Whole is nil where the list is there.
	Whole(ctx context.Context, key string) error
	// Keys are those that begin with a prefix, in order.
	Keys(ctx context.Context, prefix string) ([]string, error)
	// Remove removes what has the key or lies below it, Purge with all its
	// earlier versions.
	Remove(ctx context.Context, key string) error
	Purge(ctx context.Context, key string) error
}

// Feeder brings what is dropped in a depot's inbox into one of the engine's
// inbox folders; package depot has one.
type Feeder interface {
	// Run brings what comes until ctx ends, and nothing while held says no.
	Run(ctx context.Context, held func() bool) error
	// Once brings what lies there and removes what is kept; left is how many could
	// not be brought.
	Once(ctx context.Context) (left int, err error)
}
