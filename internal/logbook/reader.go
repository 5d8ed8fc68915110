package logbook

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	bolt "go.etcd.io/bbolt"
)

// OpenForReading opens the logbook in dir without changing anything. It is refused with ErrInUse while a daemon has it: then that
// daemon is the one to ask, since it alone knows what is on disk and what is on its way. While it is open no daemon can start,
// so whoever reads closes it soon. Its methods that write give an error.
func OpenForReading(dir string, lock time.Duration) (*Book, error) {
	path := filepath.Join(dir, fileName)
	if _, err := os.Lstat(path); errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%w: %s", ErrNotThere, path)
	}
	if err := checkFile(path); err != nil {
		return nil, err
	}
	var db *bolt.DB
	var file *os.File
	err := guard("opening", func() (err error) {
		db, err = bolt.Open(path, 0, &bolt.Options{ReadOnly: true, Timeout: max(lock, 1), OpenFile: func(name string, flags int, mode os.FileMode) (*os.File, error) {
			f, err := os.OpenFile(name, flags, mode)
			file = f
			return f, err
		}})
		return err
	})
	if err != nil {
		if file != nil {
			_ = letGo(file)
		}
		return nil, explain(path, err)
	}
	b := newBook(db, file, path)
	if err := guard("opening", b.inspect); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return b, nil
}
