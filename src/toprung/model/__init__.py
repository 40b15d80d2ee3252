"""The nouns: site, QoS, ladder, finding, picture.  Immutable data that imports nothing of ours."""
