package logbook

import (
	"cmp"
	"slices"

	bolt "go.etcd.io/bbolt"
)

// Entries gives all entries of the dictionary by path and unit: a point whose map changed has several.
func (b *Book) Entries() ([]Entry, error) {
	var all []Entry
	err := guard("reading the dictionary", func() error {
		return b.db.View(func(tx *bolt.Tx) error {
			for _, e := range loadDictionary(tx, func(error) {}).entries {
				all = append(all, *e)
			}
			return nil
		})
	})
	slices.SortFunc(all, func(x, y Entry) int {
		return cmp.Or(cmp.Compare(x.Path, y.Path), cmp.Compare(x.Unit, y.Unit), cmp.Compare(x.Type, y.Type), cmp.Compare(x.Scale, y.Scale), cmp.Compare(x.Offset, y.Offset))
	})
	return all, err
}
