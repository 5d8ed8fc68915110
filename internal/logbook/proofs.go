package logbook

import (
	"fmt"
	"os"
	"time"

	bolt "go.etcd.io/bbolt"
)

// State reads one row of judge state of a logbook that nobody has open, nil where there is none. It looks at no more of the file than leads to
// the row, because a logbook may be large. The error is ErrInUse while a daemon has it, ErrNotThere where there is none.
func State(dir, name string) (row []byte, err error) {
	err = withFile(dir, func(path string, _ *os.File) error {
		return viewFile(path, func(tx *bolt.Tx) error {
			if err := checkVersion(tx); err != nil {
				return err
			}
			k := stateKey(name)
			v := tx.Bucket(bucketState).Get(k)
			if v == nil {
				return nil
			}
			body, err := unseal(k, v)
			row = append(row, body...)
			return err
		})
	})
	return row, err
}

// ChangeState changes one row of judge state of a logbook that nobody has open, making it where there is none yet. change is given what the
// row holds, nil where there is none. The error is ErrInUse while a daemon has the logbook: then what it keeps is changed by a command.
func ChangeState(dir, name string, lock time.Duration, change func(old []byte) ([]byte, error)) (err error) {
	b, err := Open(dir, lock)
	if err != nil {
		return err
	}
	defer func() {
		if e := b.Close(); err == nil {
			err = e
		}
	}()
	return b.update("changing judge state", func(tx *bolt.Tx) error {
		k := stateKey(name)
		var old []byte
		if v := tx.Bucket(bucketState).Get(k); v != nil {
			body, err := unseal(k, v)
			if err != nil {
				return fmt.Errorf("state %q: %w", name, err)
			}
			old = append(old, body...)
		}
		row, err := change(old)
		if err != nil {
			return err
		}
		return tx.Bucket(bucketState).Put(k, seal(k, row))
	})
}
