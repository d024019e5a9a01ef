"""Drawing PDF reports and terminal texts from judged tables."""
