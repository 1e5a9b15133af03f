package undocumented // broken
