package logbook

// settle makes durable what the last transaction left in doubt. The two pages at the head of the file say which transaction counts.
// When the sync after writing one of them fails, the kernel goes on showing it, takes it for written and will not write it again, while
// the device holds the transaction before. The library then builds the next one on the page it sees, over pages that the transaction
// on the device still needs, and a power failure finds neither. So after a failure, and at each opening, both pages are written again as
// they are seen, and synced, before anything is built on them. What they point at was synced before they were first written.
// b.writing is held, or nobody else has the book yet.
func (b *Book) settle() error { return settlePages(b.file, b.pageSize) }

// sureOf is the highest number in a recipient's queue that is on the device. What lies above it may be seen in the file after a commit
// that failed, and must not be told yet.
func (b *Book) sureOf(recipient string) uint64 {
	if sure := b.sure.Load(); sure != nil {
		return (*sure)[recipient]
	}
	return 0
}
