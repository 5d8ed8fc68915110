// Package crashtest proves that nothing told is lost when the power fails.
//
// Killing a process proves nothing about a disk: what it wrote stays in the kernel's memory, and the next process reads it there. So a
// writer runs under strace, which records what it asked of the kernel and in which order. From the record the files are built anew as
// a device may have held them at any moment: what a finished sync has covered is there; of the rest each sector may be there or not,
// in any order. Each such image is opened as the next start would open it, and held against what had been told by that moment.
//
// Owns: the record of system calls, the model of the device, the images, and the kills of real daemons.
// Never: ships, or touches a file outside of the folders of its own tests.
//
// # What the device may do
//
// A write is cut into sectors of 512 bytes, or pages of 4096; each is whole or absent. fsync and fdatasync cover what was written, and
// the new length, by calls that had returned before the sync began; they count when they have returned without error. A sync that
// returned an error has lost what it covered: Linux marks the pages clean, so that a later sync which succeeds does not write them
// (Rebello et al., "Can Applications Recover from fsync Failures?", USENIX ATC 2020). A name in a directory is certain only after a sync
// of the directory itself. That is more than today's file systems do to us, and less than a device that lies about its own cache.
package crashtest
