"""Screens, paper, mail and the command line: shows what the store holds and computes no statistic."""
