from toprung.wire._bytes cimport u16be, u16le, u32be, u32le
