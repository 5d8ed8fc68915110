package logbook

import "encoding/binary"

func chunkKey(ordinal uint32, hour int64, id uint32) []byte {
	return append(hourKey(ordinal, hour), key32(id)...)
}

// hourKey sorts hours of a boot as numbers, those before its first full hour too.
func hourKey(ordinal uint32, hour int64) []byte {
	return binary.BigEndian.AppendUint64(key32(ordinal), uint64(hour)^1<<63)
}
