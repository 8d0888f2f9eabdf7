"""The largest box of good cells on a grid."""
