from toprung.wire._bytes cimport u16be, u32le
