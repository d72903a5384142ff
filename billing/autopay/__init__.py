"""Autopay: families that let the office debit their bank account, by Nacha files.

What the Nacha Rules and the office's bank ask for changes yearly and is sold, not published: the bank, the current Rules and
counsel decide before a first file leaves. What is written here follows the 2013 Operating Rules where nothing else is named.
"""
